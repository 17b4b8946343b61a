"""Several stands write one database at the same time, each from a process of its own."""

import json
import subprocess
import sys
from itertools import pairwise
from pathlib import Path
from typing import Any

from daq.record.store import Store
from daq.record.values import Filter

ROOT = Path(__file__).parents[3]
RUNS = 15


def at_work(url: str, *stands: str) -> list[dict[str, Any]]:
    """What each saw; run by run they all begin at once. An error in one of them is one here."""
    processes = [_process(url, stand, 1000 * k + 1) for k, stand in enumerate(stands)]
    assert [_said(process) for process in processes] == ["ready\n"] * len(stands)
    saw = []
    for _ in range(RUNS):
        for process in processes:
            assert process.stdin is not None
            process.stdin.write("go\n")
            process.stdin.flush()
        saw += [json.loads(_said(process)) for process in processes]
    assert [(process.communicate()[1], process.returncode) for process in processes] == [("", 0)] * len(stands)
    return saw


def _process(url: str, stand: str, first: int) -> "subprocess.Popen[str]":
    program = [sys.executable, "-m", "tests.daq.record.stand_at_work", url, stand, str(RUNS), str(first)]
    ends = dict.fromkeys(("stdin", "stdout", "stderr"), subprocess.PIPE)
    return subprocess.Popen(program, cwd=ROOT, text=True, **ends)


def _said(process: "subprocess.Popen[str]") -> str:
    assert process.stdout is not None
    line = process.stdout.readline()
    assert line, process.communicate()[1]
    return line


def test_numbers_are_given_once_and_in_order(store: Store, url: str) -> None:
    saw = at_work(url, "bench-1", "bench-2", "bench-3")
    assert len(saw) == 3 * RUNS
    assert all(line["new"] for line in saw)
    for stand in ("bench-1", "bench-2", "bench-3"):
        own = [line for line in saw if line["stand"] == stand]
        assert [line["seq"] for line in own] == list(range(1, RUNS + 1))
        # Each sent its own, once, in the order in which its runs ended.
        assert [payload for line in own for _, payload in line["sent"]] == [f'{{"seq":{k + 1}}}' for k in range(RUNS)]
        numbers = [number for line in own for number, _ in line["sent"]]
        assert numbers == sorted(set(numbers))
    assert len({number for line in saw for number, _ in line["sent"]}) == 3 * RUNS
    assert store.stats().unsent == 0


def test_attempts_of_a_unit_count_over_all_stands(store: Store, url: str) -> None:
    saw = sorted(at_work(url, "bench-1", "bench-2"), key=lambda line: line["attempt"])
    assert [line["attempt"] for line in saw] == list(range(1, 2 * RUNS + 1))
    for before, after in pairwise(saw):
        assert {*before["earlier"], before["run"]} == set(after["earlier"])
    assert {line.attempt for line in store.runs(Filter(limit=999))} == set(range(1, 2 * RUNS + 1))


def test_no_seq_is_given_twice_even_to_two_who_work_one_stand(store: Store, url: str) -> None:
    saw = at_work(url, "bench-1", "bench-1")
    assert sorted(line["seq"] for line in saw) == list(range(1, 2 * RUNS + 1))
