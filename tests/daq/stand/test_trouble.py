"""What fails around a run: recording, trace, store, line. The verdict arrives all the same, and nothing is silent."""

import asyncio
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any, Never

import pytest

from daq.catalogue.stand_file import StandConfig
from daq.measure.steps import Step
from daq.procedure.effects import Alarm
from daq.publish.contract import ResultData
from daq.record.async_store import AsyncStore
from daq.record.errors import AlreadyFinishedError, DiskFullError
from daq.record.store import Store
from daq.record.values import Finished
from daq.stand import finish, stand
from daq.stand.errors import RefusedError
from daq.stand.finish import AGAIN_S
from daq.stand.idle import Idle
from daq.stand.said import Live, Stage
from drivers.block import Block, Event, Link, LinkChange
from drivers.recording import RecordingError, RecordingWriter
from tests.daq.stand.bench import STREAMING, Bench
from tests.daq.stand.conftest import OpenBench
from tests.daq.stand.evidence import gaps, replayed, scans, touched

FULL = "no space left on device"


async def aborted(bench: Bench, at: float = 2.0) -> ResultData:
    run = await bench.begin()
    bench.at(at, lambda: bench.stand.abort(run))
    return (await bench.ended(run)).data


def alarms(bench: Bench, code: str) -> list[Alarm]:
    return [alarm for alarm in bench.all(Alarm) if alarm.code == code]


async def test_a_folder_that_cannot_be_written(open_bench: OpenBench, config: StandConfig) -> None:
    config.data.mkdir()
    (config.data / "recordings").write_text("a file where a folder should be")
    async with open_bench() as bench:
        run = await bench.begin()
        data = (await bench.ended(run)).data
        [alarm] = alarms(bench, "recording_failed")
        assert alarm.severity == "stop"
        assert "the run is void, since it has no recording" in alarm.text
        assert "recordings" in alarm.text
        assert str(config.data) in alarm.do
        assert (data.verdict, data.why, data.recording, data.flags) == ("void", "no recording", None, ["unrecorded"])


@pytest.mark.parametrize("method", ["wire", "note", "link"])
async def test_a_disk_that_fills_up_in_mid_run(
    open_bench: OpenBench, monkeypatch: pytest.MonkeyPatch, method: str
) -> None:
    """Whatever it was that could not be written: the run ends void, with one alarm."""

    def full(writer: RecordingWriter, *_: object) -> Never:
        writer.close({})  # whoever fails has let go of the file
        raise RecordingError(f"recording {writer.path}: cannot be written ({FULL}); is the disk full?")

    address = {"link": "sim://scripted?script=1&faults=unplug:12"}.get(method, "sim://scripted?script=1")
    async with open_bench(address) as bench:
        run = await bench.begin()
        bench.at(1.0, lambda: monkeypatch.setattr(RecordingWriter, method, full))
        bench.at(11.0, lambda: method != "link" and bench.stand.abort(run))
        data = (await bench.ended(run)).data
        [alarm] = alarms(bench, "recording_failed")
        assert FULL in alarm.text
        assert data.recording is None
        assert (data.why, data.flags) == ("no recording", ["unrecorded"])
        assert (await bench.stored(run)).data["verdict"] == "void"


async def test_a_recording_that_cannot_be_closed(open_bench: OpenBench, monkeypatch: pytest.MonkeyPatch) -> None:
    close = RecordingWriter.close

    def fails(writer: RecordingWriter, end: dict[str, object]) -> Never:
        close(writer, end)
        raise RecordingError(FULL)

    monkeypatch.setattr(RecordingWriter, "close", fails)
    async with open_bench() as bench:
        data = await aborted(bench)
        assert FULL in alarms(bench, "recording_failed")[0].text
        assert (data.recording, data.trace is None) == (None, False)


@pytest.mark.parametrize("failing", ["wire", "close"])
@pytest.mark.parametrize("must_record", [True, False])
async def test_a_pass_needs_its_recording(
    open_bench: OpenBench,
    config: StandConfig,
    monkeypatch: pytest.MonkeyPatch,
    failing: str,
    *,
    must_record: bool,
) -> None:
    """The disk is full from some moment on, in mid-run or only at the run's end."""
    close = RecordingWriter.close

    def full(writer: RecordingWriter, *_: object) -> Never:
        close(writer, {})
        raise RecordingError(FULL)

    verdict = "void" if must_record else "pass"
    async with open_bench("sim://depot/good-pump", at=replace(config, must_record=must_record)) as bench:
        run = await bench.begin()
        bench.at(8.0, lambda: monkeypatch.setattr(RecordingWriter, failing, full))
        data = (await bench.ended(run)).data
        assert (data.verdict, data.flags, data.recording) == (verdict, ["unrecorded"], None)
        assert data.why == ("" if verdict == "pass" else "no recording")
        assert (await bench.stored(run)).data["flags"] == ["unrecorded"]
        assert len(alarms(bench, "recording_failed")) == 1


async def test_a_trace_that_cannot_be_written(open_bench: OpenBench, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(path: Path, *_: object) -> Never:
        raise OSError(28, FULL, str(path))

    monkeypatch.setattr(finish, "write_trace", full)
    async with open_bench() as bench:
        data = await aborted(bench)
        [alarm] = alarms(bench, "trace_failed")
        assert FULL in alarm.text
        assert (data.trace, data.recording is None) == (None, False)


class Reluctant(AsyncStore):
    """Refuses `refusals` verdicts before it takes one."""

    refusals = 3

    async def finish_run(self, run: str, make: Callable[[int], Finished]) -> Finished:
        if self.refusals:
            self.refusals -= 1
            raise DiskFullError(f"database {self.where}: {FULL}")
        return await super().finish_run(run, make)


async def test_a_verdict_is_tried_until_it_is_stored(open_bench: OpenBench, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(finish, "AGAIN_S", 0.0)
    async with open_bench(STREAMING, Reluctant) as bench:
        blocked: list[tuple[str, ...]] = []
        bench.hooks.append(lambda said: blocked.append(said.blocked_by) if isinstance(said, Stage) else None)
        data = await aborted(bench)
        told = alarms(bench, "store_failed")
        assert len(told) == 1  # not at each try
        assert all(data.run in alarm.text and FULL in alarm.text for alarm in told)
        assert ("storing",) in blocked  # nothing new begins meanwhile
        assert (await bench.stored(data.run)).data["verdict"] == "void"
        assert len(await bench.store.outbox(bench.stand.key).unsent(10)) == 1


class Usurped(AsyncStore):
    """Another machine has closed the run meanwhile, as once its session held the stand."""

    tries = 0

    async def finish_run(self, run: str, make: Callable[[int], Finished]) -> Finished:
        type(self).tries += 1
        raise AlreadyFinishedError(f"run {run}: it ended with verdict void; a verdict is never changed")


async def test_a_run_that_somebody_else_has_closed_ends_the_stand(open_bench: OpenBench) -> None:
    """It is another machine's now: waiting would hold up this one for ever, and its service manager tells it apart."""
    opened: list[Bench] = []

    async def worked() -> None:
        async with open_bench(STREAMING, Usurped) as bench:
            opened.append(bench)
            run = await bench.begin()
            bench.at(2.0, lambda: bench.stand.abort(run))
            await bench.next(Alarm, lambda alarm: alarm.code == "store_failed")

    with pytest.raises((AlreadyFinishedError, ExceptionGroup)) as ended:
        async with asyncio.timeout(AGAIN_S):
            await worked()
    assert "a verdict is never changed" in repr(ended.value) + repr(getattr(ended.value, "exceptions", ""))
    assert Usurped.tries == 1
    [alarm] = alarms(opened[0], "store_failed")
    assert "a verdict is never changed" in alarm.text


class Stubborn(AsyncStore):
    """Takes no verdict at all."""

    async def finish_run(self, run: str, make: Callable[[int], Finished]) -> Finished:
        raise DiskFullError(f"database {self.where}: {FULL}")


class StopError(Exception):
    """Somebody stops the stand."""


async def test_a_stop_does_not_wait_for_ever(
    open_bench: OpenBench, config: StandConfig, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A stand that is stopped while its verdict cannot be stored tries once more and gives up; the recording has it."""
    monkeypatch.setattr(stand, "GIVE_UP_S", 0.05)
    opened: list[Bench] = []

    async def stopped() -> None:
        async with asyncio.timeout(AGAIN_S / 2), open_bench(STREAMING, Stubborn) as bench:
            opened.append(bench)
            run = await bench.begin()
            bench.at(2.0, lambda: bench.stand.abort(run))
            await bench.next(Alarm, lambda alarm: alarm.code == "store_failed")
            raise StopError

    with pytest.raises(StopError):
        await stopped()
    assert len(alarms(opened[0], "store_failed")) == 1
    assert next((config.data / "recordings").iterdir()).stat().st_size > 1000


async def test_a_run_that_cannot_be_stored_does_not_begin(
    open_bench: OpenBench, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object) -> Never:
        raise DiskFullError(FULL)

    async with open_bench() as bench:
        with monkeypatch.context() as changed:
            changed.setattr(Store, "start_run", full)
            with pytest.raises(RefusedError, match=f"the run cannot be recorded: {FULL}") as refusal:
                await bench.begin()
        assert refusal.value.reasons == ("record",)
        assert bench.stand.blocked_by == ()
        await aborted(bench)


async def test_events_that_cannot_be_kept_are_an_alarm(open_bench: OpenBench, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_: object) -> Never:
        raise DiskFullError(FULL)

    monkeypatch.setattr(Store, "event", full)
    async with open_bench() as bench:
        data = await aborted(bench)
        assert FULL in alarms(bench, "store_failed")[0].text
        assert (await bench.stored(data.run)).data["verdict"] == "void"


async def test_a_mistake_of_ours_between_runs_ends_nothing(
    open_bench: OpenBench, monkeypatch: pytest.MonkeyPatch
) -> None:
    sound, wrong = Idle.feed, iter([True])

    def feed(self: Idle, block: Block) -> Step | None:
        if next(wrong, False):
            raise ZeroDivisionError("a mistake")
        return sound(self, block)

    monkeypatch.setattr(Idle, "feed", feed)
    async with open_bench(STREAMING) as bench:
        alarm = await bench.next(Alarm, lambda alarm: alarm.code == "internal_error")
        assert "between runs: ZeroDivisionError: a mistake" in alarm.text
        await bench.next(Live)
        assert (await aborted(bench)).why == "aborted"


async def test_a_verdict_lost_by_a_mistake_of_ours_ends_the_loop(
    open_bench: OpenBench, monkeypatch: pytest.MonkeyPatch
) -> None:
    def wrong(*_: object, **__: object) -> Never:
        raise ArithmeticError("a mistake")

    monkeypatch.setattr(finish, "result_data", wrong)

    async def work() -> None:
        async with open_bench(STREAMING) as bench:
            bench.stand.abort(await bench.begin())
            await bench.stand.settled()

    with pytest.raises(ArithmeticError, match="a mistake"):
        await work()


LINE = {
    "unplug:12": ("link down", 0),
    "reset:12": ("device reset", 1),
    "stall:12:3": ("link silent", 0),
}


@pytest.mark.parametrize("fault", LINE)
async def test_a_line_that_breaks_ends_the_run(open_bench: OpenBench, fault: str) -> None:
    why, resets = LINE[fault]
    async with open_bench(f"sim://scripted?script=1&faults={fault}") as bench:
        run = await bench.begin()
        data = (await bench.ended(run)).data
        assert (data.verdict, data.why) == ("void", why)
        assert data.quality.device_resets == resets
        assert [r.name for r in data.readings] == ["dry_check.current"]  # read before, and kept
        assert len(alarms(bench, "device_reset")) == resets
        await readable(bench, data)


async def readable(bench: Bench, data: ResultData) -> list[Event]:
    """What the recording of a run holds: it can be read to its last entry, and has all scans."""
    assert data.recording is not None
    events = await replayed(bench.stand.config.data / data.recording.file)
    assert scans(events) == data.quality.scans_received > 5_000
    return events


async def test_a_line_that_goes_while_the_run_is_being_stored(
    open_bench: OpenBench, monkeypatch: pytest.MonkeyPatch
) -> None:
    async with open_bench(STREAMING) as bench:
        await bench.next(LinkChange, lambda change: change.link is Link.UP)
        start_run = bench.store.ask

        async def slow(method: Any, *words: Any, **more: Any) -> Any:
            answer = await start_run(method, *words, **more)
            if method is Store.start_run:
                bench.device.rig.faults.add("unplug", bench.device.rig.time)
                await bench.next(LinkChange, lambda change: change.link is Link.DOWN)
            return answer

        monkeypatch.setattr(bench.store, "ask", slow)
        run = await bench.begin()
        assert (await bench.ended(run)).data.why == "link down"


async def test_scans_that_were_lost_are_counted_and_spoil_their_window(open_bench: OpenBench) -> None:
    async with open_bench("sim://scripted?script=1&faults=loss:0.02") as bench:
        run = await bench.begin()
        data = (await bench.ended(run)).data
        quality = data.quality
        assert quality.frames_lost > 0
        assert quality.scans_expected > quality.scans_received > 0
        holes = gaps(await readable(bench, data))
        assert len(holes) > 10
        assert len(data.readings) > 1
        assert not [r.name for r in data.readings if touched(r.window, holes)]
