"""The end of a run: close the recording, write the trace, commit the verdict; and try again where a disk says no."""

import asyncio
from collections.abc import Callable
from contextlib import suppress
from dataclasses import replace
from datetime import datetime, timedelta

from daq.catalogue.stand_file import StandConfig
from daq.judge.verdict import Verdict, Word
from daq.procedure.effects import Alarm, Outcome
from daq.publish import contract as c
from daq.record.async_store import AsyncStore
from daq.record.errors import AlreadyFinishedError, RecordError
from daq.record.trace import write_trace
from daq.record.values import Finished
from daq.stand.active import ActiveRun, quality, trace_columns
from daq.stand.budget import as_sent, budget_of
from daq.stand.clock_watch import keeps_wall_time
from daq.stand.history import plain_history, plain_scatter
from daq.stand.result import result_data
from drivers.device import Device
from drivers.recording import RecordingError

STORE_FAILED = "store_failed"
UNRECORDED = "no recording"
"""Why a run is void that nobody could follow later."""
AGAIN_S = 5.0
"""Pause before a verdict that could not be stored is tried again; it stays in memory and no new run begins."""


async def finish(
    active: ActiveRun,
    device: Device,
    *,
    config: StandConfig,
    store: AsyncStore,
    say: Callable[[Alarm], None],
    now: Callable[[], datetime],
    clock: Callable[[], float],
    giving_up: asyncio.Event,
) -> c.ResultData:
    """Stores an ended run and gives its result. A trace that fails is an alarm and missing, no more. A recording that
    fails makes the run void where the stand's file asks for evidence. The verdict is tried until it is in the database.

    Raises:
        AlreadyFinishedError: the run was closed by somebody else.
        RecordError: it could not be stored, not even once more after `giving_up` was set. The recording has it all.
    """
    ended, clock_error = _times(active, device, now(), clock())
    quality_now = quality(active, device, clock_error)  # before anything is waited for: the device goes on counting
    files: dict[str, c.File | None] = {}
    for name, job in (("recording", _close_recording), ("trace", write_run_trace)):
        made = await asyncio.to_thread(job, active, config)
        files[name] = made if isinstance(made, c.File) else None
        if isinstance(made, Alarm):
            say(made)
    if (bad := _bad_line(active, quality_now)) is not None:
        say(bad)

    def make(seq: int) -> Finished:
        outcome = with_evidence(active, config)
        flags = ["unrecorded"] if active.unrecorded else []
        data = result_data(active.about, outcome, seq=seq, ended=ended, quality=quality_now, files=files, flags=flags)
        stored = c.plain(data)
        for item, core in zip(stored["readings"], outcome.readings, strict=True):
            item["budget"] = budget_of(core)  # kept for an auditor, not sent
        # Kept for later runs, and to follow this one's scatter.
        stored |= {"scatter": plain_scatter(outcome.scatter), "history": plain_history(active.run.history)}
        return Finished(stored, [("result", c.text(c.Result.of(data)))])

    told = ""
    while True:
        try:
            finished = await store.finish_run(active.about.run, make)
        except RecordError as error:
            text = f"run {active.about.run}: the verdict is not stored yet: {error}"
            if text != told:  # once, and again when there is another reason
                say(Alarm(STORE_FAILED, "stop", text, "do as it says; the daemon keeps trying"))
            told = text
            # Somebody else has closed the run: another machine has the stand now, and no patience brings it back.
            if giving_up.is_set() or isinstance(error, AlreadyFinishedError):
                raise
            with suppress(TimeoutError):
                async with asyncio.timeout(AGAIN_S):
                    await giving_up.wait()
        else:
            return as_sent(finished.data)


def with_evidence(active: ActiveRun, config: StandConfig) -> Outcome:
    """The outcome of an ended run; void where it could not be recorded and has to be."""
    outcome = active.run.outcome
    assert outcome is not None, "only an ended run is finished"
    if not (active.unrecorded and config.must_record) or outcome.verdict.word is Word.VOID:
        return outcome
    return replace(outcome, verdict=Verdict(Word.VOID, UNRECORDED))


def recording_failed(config: StandConfig, text: str) -> Alarm:
    """The alarm of a run without a recording."""
    return Alarm("recording_failed", "stop" if config.must_record else "warn", text, f"make room in {config.data}")


def _bad_line(active: ActiveRun, found: c.Quality) -> Alarm | None:
    """A line that lost or spoiled something, which a person should know although no reading suffers from it."""
    lost = (found.scans_expected or 0) - (found.scans_received or 0)
    if not (lost or found.frames_lost or found.frames_bad):
        return None
    text = (
        f"run {active.about.run}, line to the device: {found.frames_bad} frames were damaged and {found.frames_lost} "
        f"lost, with {lost} scans; no reading uses a window that misses any"
    )
    return Alarm("line_bad", "warn", text, "check cable, plugs and baud rate, and what else keeps this computer busy")


def _times(active: ActiveRun, device: Device, wall: datetime, host: float) -> tuple[datetime, float | None]:
    """When a run ended, and how far its sample times may be off UTC, s.

    A run lasts as long as its device says: wall time may be set while it is under way, which is part of the error, as
    are the seconds by which the device's clock and this computer's own went apart. Where sample time is not wall time
    there is no error to tell, and the end is when it was, though never before the start.
    """
    if not keeps_wall_time(device):
        return max(wall, active.about.started), None
    seconds = active.run.t
    off = (host - active.host0 - seconds, (wall - active.wall0).total_seconds() - seconds)
    return active.about.started + timedelta(seconds=seconds), max(map(abs, off))


def _close_recording(active: ActiveRun, config: StandConfig) -> c.File | Alarm | None:
    recording, active.recording = active.recording, None
    if recording is None:
        return None
    try:
        outcome = active.run.outcome
        done = recording.close({"verdict": outcome.verdict.word.value if outcome else None})
    except RecordingError as error:
        active.unrecorded = True
        return recording_failed(config, f"run {active.about.run}: {error}")
    return c.File(file=f"recordings/{done.path.name}", sha256=done.sha256, bytes=done.size)


def write_run_trace(active: ActiveRun, config: StandConfig) -> c.File | Alarm | None:
    """The trace of a run; None where nothing was measured, an alarm where it could not be written."""
    columns, units = trace_columns(active.run)
    if len(columns["t"]) == 0:
        return None
    path = config.data / "traces" / f"{active.about.run}.parquet"
    about = {"run": active.about.run, "part": active.about.part, "serial": active.about.serial}
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        done = write_trace(path, columns, units, about)
    except (OSError, RecordError) as error:
        text = f"run {active.about.run}: no trace: {error}"
        return Alarm("trace_failed", "warn", text, f"make room in {config.data}")
    return c.File(file=f"traces/{done.file}", sha256=done.sha256, bytes=done.bytes)
