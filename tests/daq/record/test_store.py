"""The store keeps every run, once, in one transaction, in order."""

import math
import subprocess
import sys
from contextlib import closing
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import create_engine, text

from daq.record.errors import (
    AlreadyFinishedError,
    DatabaseUnwritableError,
    RecordError,
    UnknownRunError,
)
from daq.record.store import ANSWERS_KEPT, Store
from daq.record.values import Alike, Filter, Finished, StoredRun
from tests.daq.record.bench import BENCH, DIGEST, START, finish, result, started


def rows(url: str, query: str) -> list[tuple[Any, ...]]:
    """As an auditor asks, past the store."""
    engine = create_engine(url)
    with engine.connect() as connection:
        found = [tuple(row) for row in connection.execute(text(query))]
    engine.dispose()
    return found


def count(url: str, table: str) -> int:
    [(found,)] = rows(url, f"SELECT count(*) FROM {table}")
    return int(found)


def test_a_run_is_there_from_its_start(store: Store) -> None:
    run = started()
    assert store.start_run(run).number == 1
    kept = store.run(run.run)
    assert (kept.data["ended"], kept.data["verdict"], kept.data["seq"]) == (None, None, None)
    assert (kept.part_digest, kept.config_digest, kept.source) == ("sha256:aa", "sha256:cc", run.source)
    assert kept.data["started"] == "2031-05-04T07:13:09.120Z"


def test_a_finished_run_comes_back_word_for_word(store: Store) -> None:
    run = started(order="WO 7", operator="Ines", sim=True)
    store.start_run(run)
    finished = store.finish_run(run.run, finish(run))
    assert store.run(run.run).data == finished.data == result(run, 1)


def test_an_auditor_finds_numbers_in_columns(store: Store, url: str) -> None:
    run = started()
    store.start_run(run)
    store.finish_run(run.run, finish(run))
    readings = "SELECT value, unit, reference, expanded_u, window_to_s, interval_high FROM reading ORDER BY position"
    assert rows(url, readings) == [
        (512.0000000001, "kPa", "gauge", 3.1, 32.25, None),
        (None, "L/h", None, 3.1, None, 0.9),
    ]
    findings = "SELECT at_least, at_most, unit, at_value, at_unit, finding FROM finding ORDER BY position"
    assert rows(url, findings) == [
        (450.0, 650.0, "kPa", None, None, "met"),
        (80.0, None, "L/h", 300.0, "kPa", "void"),
    ]


def test_what_was_in_force_is_kept_once(store: Store, url: str) -> None:
    for number in (1, 2):
        store.start_run(started(number))
    store.start_run(started(3, part_digest="sha256:ab"))
    assert (count(url, "part_revision"), count(url, "configuration")) == (2, 1)


def test_attempts_count_runs_of_the_same_unit(store: Store) -> None:
    first = started(1)
    store.start_run(first)
    assert store.start_run(started(2)).earlier == (first.run,)
    assert store.start_run(started(3, stand="bench-2")).number == 3
    assert store.start_run(started(4, serial="K00318")).number == 1
    assert store.start_run(started(5, part="MH-2140")).number == 1


def test_simulated_runs_are_no_attempts_of_a_real_unit(store: Store) -> None:
    store.start_run(started(1, sim=True))
    assert store.start_run(started(2)).number == 1
    assert store.start_run(started(3, sim=True)).number == 2


def test_seq_rises_with_every_finished_run_of_a_stand_and_survives_a_restart(store: Store, url: str) -> None:
    for number, stand in enumerate(("bench-1", "bench-1", "bench-2"), 1):
        store.start_run(started(number, stand=stand))
    assert store.finish_run(started(2).run, finish(started(2))).data["seq"] == 1
    assert store.finish_run(started(3).run, finish(started(3, stand="bench-2"))).data["seq"] == 1
    store.close()
    again = Store(url)
    again.open()
    assert again.finish_run(started(1).run, finish(started(1))).data["seq"] == 2
    again.close()


def test_a_verdict_is_never_changed(store: Store) -> None:
    run = started()
    store.start_run(run)
    store.finish_run(run.run, finish(run, "fail"))
    with pytest.raises(AlreadyFinishedError, match="verdict fail"):
        store.finish_run(run.run, finish(run, "pass"))
    assert store.run(run.run).data["verdict"] == "fail"
    assert store.outbox_length(BENCH) == 1


def test_the_same_result_again_is_no_second_one(store: Store) -> None:
    """Who did not hear that it was stored asks again."""
    run = started()
    store.start_run(run)
    first = store.finish_run(run.run, finish(run))
    assert store.finish_run(run.run, finish(run)) == first
    assert store.outbox_length(BENCH) == 1
    with pytest.raises(AlreadyFinishedError):
        store.finish_run(run.run, lambda seq: Finished(result(run, seq) | {"pump_on_s": 24.6}, []))
    assert store.start_run(run).number == 1
    assert len(store.runs(Filter())) == 1


def test_all_of_a_result_is_written_or_nothing(store: Store, url: str) -> None:
    run = started()
    store.start_run(run)
    # The message without a payload is refused by the table, after run, readings and findings were written.
    with pytest.raises(RecordError, match=r"(?i)not.null"):
        store.finish_run(run.run, lambda seq: Finished(result(run, seq), [("result", None)]))  # type: ignore[list-item]
    assert store.run(run.run).data["ended"] is None
    assert [count(url, table) for table in ("reading", "finding", "outbox")] == [0, 0, 0]
    assert store.finish_run(run.run, finish(run)).data["seq"] == 1


def test_an_error_while_the_result_is_made_leaves_the_run_under_way(store: Store) -> None:
    run = started()
    store.start_run(run)

    def fails(seq: int) -> Finished:
        raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        store.finish_run(run.run, fails)
    assert store.run(run.run).data["ended"] is None


@pytest.mark.parametrize("number", [math.nan, math.inf])
def test_a_number_that_is_none_is_refused(store: Store, number: float) -> None:
    run = started()
    store.start_run(run)

    def make(seq: int) -> Finished:
        data = result(run, seq)
        data["readings"][0]["value"] = number
        return Finished(data, [])

    with pytest.raises(RecordError, match="NaN or infinite"):
        store.finish_run(run.run, make)
    assert store.run(run.run).data["ended"] is None


def test_runs_that_a_kill_left_open_are_closed_in_order(store: Store) -> None:
    for number in (2, 1):
        store.start_run(started(number))
    store.start_run(started(3, stand="bench-2"))

    def void(run: StoredRun, seq: int) -> Finished:
        data = run.data | {"seq": seq, "ended": "2031-05-05T06:00:00.000Z", "verdict": "void", "why": "killed"}
        return Finished(data, [("result", str(seq))])

    closed = store.close_unfinished("marrow-hill", "bench-1", void)
    assert [(f.data["run"], f.data["seq"]) for f in closed] == [(started(1).run, 1), (started(2).run, 2)]
    assert store.run(started(1).run).data["why"] == "killed"
    assert store.run(started(3).run).data["ended"] is None
    assert store.close_unfinished("marrow-hill", "bench-1", void) == []


def test_the_newest_verdict_is_found_after_a_restart(store: Store) -> None:
    assert store.newest("marrow-hill", "bench-1") is None
    for number in (1, 2, 3):
        store.start_run(started(number))
    for number in (3, 1):
        store.finish_run(started(number).run, finish(started(number)))
    newest = store.newest("marrow-hill", "bench-1")
    assert newest is not None
    assert (newest.run, newest.data["seq"]) == (started(1).run, 2)


def test_a_run_is_found_by_the_beginning_of_its_id(store: Store) -> None:
    store.start_run(started(1))
    assert store.run("01970000-0000-7000-8000-000000000001"[:30].upper()).run == started(1).run
    store.start_run(started(2))
    with pytest.raises(UnknownRunError, match="several"):
        store.run("0197")
    for nothing in ("0198", "%", "_", ""):
        with pytest.raises(UnknownRunError, match="no run"):
            store.run(nothing)
    with pytest.raises(UnknownRunError, match="never started"):
        store.finish_run("0197", finish(started(1)))


def test_lists_are_filtered_newest_first(store: Store) -> None:
    for number in (1, 2, 3):
        store.start_run(started(number, serial=f"K{number}", order="WO 7" if number > 1 else None))
    store.finish_run(started(3).run, finish(started(3), "fail"))

    def serials(**wanted: object) -> list[str]:
        return [line.serial for line in store.runs(Filter(**wanted))]  # type: ignore[arg-type]

    assert serials() == ["K3", "K2", "K1"]
    assert serials(limit=2) == ["K3", "K2"]
    assert serials(order="WO 7") == ["K3", "K2"]
    assert serials(verdict="fail") == ["K3"]
    assert serials(since=started(2).started) == ["K3", "K2"]
    assert serials(until=started(2).started) == ["K1"]
    assert serials(stand="bench-2") == []


def test_events_belong_to_a_run_or_to_the_stand(store: Store) -> None:
    run = started()
    store.start_run(run)
    store.event(BENCH, run.run, START, "stage", {"stage": "shutoff"})
    store.event(BENCH, None, START + timedelta(seconds=1), "link", {"link": "down"})
    assert [(e.time, e.kind, e.body) for e in store.events(run.run)] == [(START, "stage", {"stage": "shutoff"})]


def test_an_event_of_a_run_that_is_not_there_is_refused(store: Store) -> None:
    with pytest.raises(RecordError, match=r"(?i)foreign key"):
        store.event(BENCH, started().run, START, "stage", {})


def test_the_outbox_keeps_order_and_forgets_what_was_acknowledged(store: Store) -> None:
    run = started()
    store.start_run(run)
    messages = [("result", f"{k}") for k in range(5)]
    store.finish_run(run.run, lambda seq: Finished(result(run, seq), messages))
    waiting = store.unsent(BENCH, 3)
    assert [m.payload for m in waiting] == ["0", "1", "2"]
    store.mark_sent(waiting[0].id, START)
    assert [m.payload for m in store.unsent(BENCH, 9)] == ["1", "2", "3", "4"]
    assert store.outbox_length(BENCH) == 4
    assert store.unsent("marrow-hill/bench-2", 9) == []
    assert (store.stats().unsent, store.stats().runs) == (4, {"void": 1})


def test_a_request_is_new_once(store: Store) -> None:
    assert store.claim(BENCH, "17", "start", DIGEST, START).new
    assert store.answer(BENCH, "17", DIGEST) == store.claim(BENCH, "17", "start", DIGEST, START)
    assert store.claim(BENCH, "17", "start", DIGEST, START).reply is None
    store.remember(BENCH, "17", {"state": "accepted"})
    assert store.claim(BENCH, "17", "start", DIGEST, START).reply == {"state": "accepted"}
    assert store.claim("marrow-hill/bench-2", "17", "start", DIGEST, START).new


def test_answers_are_forgotten_when_no_repeat_can_come(store: Store) -> None:
    store.claim(BENCH, "17", "start", DIGEST, START)
    assert not store.claim(BENCH, "17", "start", DIGEST, START + ANSWERS_KEPT).new
    assert store.claim(BENCH, "17", "start", DIGEST, START + ANSWERS_KEPT + timedelta(seconds=1)).new


def test_a_killed_writer_leaves_whole_runs(store: Store, url: str) -> None:
    run = started()
    store.start_run(run)
    code = (
        "import os, signal\n"
        "from daq.record.store import Store\n"
        "from tests.daq.record.bench import finish, started\n"
        f"store = Store({url!r}); store.open()\n"
        "store.start_run(started(2)); store.finish_run(started(2).run, finish(started(2)))\n"
        f"store.finish_run({run.run!r}, lambda seq: os.kill(os.getpid(), signal.SIGKILL))\n"
    )
    root = Path(__file__).parents[3]
    killed = subprocess.run([sys.executable, "-c", code], cwd=root, capture_output=True, check=False)
    assert killed.returncode == -9
    assert store.run(started(2).run).data["verdict"] == "void"
    assert store.run(run.run).data["ended"] is None


def test_who_only_reads_writes_nothing(store: Store, url: str) -> None:
    with closing(Store(url, reads=True)) as reading:
        reading.open()
        assert reading.runs(Filter()) == []
        with pytest.raises(DatabaseUnwritableError):
            reading.event(BENCH, None, START, "note", {})


def test_scatter_is_that_of_runs_of_one_process(store: Store) -> None:
    """Newest first; not of void runs, of another part, text, stand or source, nor of those that say nothing of it."""
    alike = Alike("marrow-hill", "bench-1", "MH-2101", "sha256:aa", "sha256:cc", sim=False)
    others: list[dict[str, object]] = [
        *({"verdict": "pass"}, {"verdict": "fail"}, {"verdict": "undecided"}, {"verdict": "void"}),
        *({"part": "MH-2207"}, {"part_digest": "sha256:ab"}, {"config_digest": "sha256:cd"}, {"stand": "bench-2"}),
        *({"sim": True}, {"scatter": None}),
    ]
    for number, changes in enumerate(others, 1):
        said = {"scatter": {"free_flow.flow": number}, "verdict": "pass"} | changes
        run = started(number, **{k: v for k, v in changes.items() if k not in ("verdict", "scatter")})
        store.start_run(run)
        made = result(run, 1, str(said["verdict"])) | ({"scatter": said["scatter"]} if said["scatter"] else {})
        store.finish_run(run.run, lambda seq, made=made: Finished(made | {"seq": seq}, []))
    store.start_run(started(20))
    assert store.scatters(alike, 20) == [{"free_flow.flow": n} for n in (3, 2, 1)]
    # one of the newest three says nothing
    assert store.scatters(alike, 3) == [{"free_flow.flow": n} for n in (3, 2)]
