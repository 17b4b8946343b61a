"""A run under way: the pure run, its recording, and what is known about it."""

from dataclasses import dataclass
from datetime import date, datetime

import numpy as np

from daq.catalogue.load import Entry
from daq.catalogue.stand_file import StandConfig
from daq.measure.convert import Column, Floats
from daq.procedure.effects import Effect, Noted
from daq.procedure.run import ConfirmError, Run
from daq.publish import contract as c
from daq.stand.history import plain_history
from daq.stand.result import About
from drivers.block import Block, Capture, DeviceReset, Event, Link, LinkChange, LinkCounts, Replayed, Status
from drivers.device import Device
from drivers.recording import RecordingWriter

UNITS = {"t": "s", "pressure": "Pa", "voltage": "V", "current": "A", "temperature": "K", "level": "1", "flow": "m3/s"}


@dataclass(slots=True, eq=False)
class ActiveRun:
    """One run from start to verdict. `counts` are the device's at its start; `host0` and `wall0` are monotonic
    and wall time then."""

    about: About
    run: Run
    counts: LinkCounts
    host0: float
    wall0: datetime
    recording: RecordingWriter | None = None
    live_said: int = -1
    unrecorded: bool = False
    """Whether its recording could not be begun, written or closed."""

    def feed(self, event: Event) -> list[Effect]:
        """What an event of the device does to the run. A change of the line or a reset ends it."""
        if isinstance(event, Block):
            return self.run.feed(event)
        if isinstance(event, Status):
            return self.run.status(event)
        if isinstance(event, Capture):
            return self.run.captured(event)
        if isinstance(event, DeviceReset):
            return self.run.halt("device reset")
        if isinstance(event, LinkChange) and event.link is not Link.UP:
            return self.run.halt(f"link {event.link.name.lower()}")
        if isinstance(event, Replayed):
            return self._replayed(event)
        return []

    def _replayed(self, event: Replayed) -> list[Effect]:
        """What somebody did at this place of a recording, or a simulated operator just now."""
        if event.kind == "abort":
            return self.run.halt(str(event.body.get("why", "aborted")))
        if event.kind != "confirm":
            return []
        try:
            return self.run.confirm(str(event.body.get("what")))
        except ConfirmError as error:
            return [Noted(self.run.t, "refused", str(error))]


def years_since(config: StandConfig, today: date) -> dict[str, float]:
    """Years since calibration by channel name."""
    return {name: calibration.years(today) for name, calibration in config.calibrations.items()}


def trace_columns(run: Run) -> tuple[dict[str, Floats], dict[str, str]]:
    """All samples of a run by quantity, SI, and the unit of each; what is not fitted is left out.

    Flow is held from one closed step to the next, NaN while it is only known to be small.
    """
    trace, meter = run.measuring.trace, run.measuring.meter
    values, t = trace.values(), trace.times()
    columns = {"t": t} | {column.name.lower(): values[:, column] for column in Column}
    if meter is not None and meter.fitted:
        columns["flow"] = meter.held(t)
    kept = {name: v for name, v in columns.items() if name in ("t", "flow") or not np.isnan(v).all()}
    return kept, {name: UNITS[name] for name in kept}


def quality(active: ActiveRun, device: Device, clock_error: float | None) -> c.Quality:
    """How whole the data of a run were."""
    counts = device.counts.since(active.counts)
    outcome = active.run.outcome
    scans = outcome.scans if outcome else 0
    missing = outcome.scans_missing if outcome else 0
    return c.Quality(
        scans_expected=scans + missing,
        scans_received=scans,
        scans_displaced=outcome.scans_displaced if outcome else 0,
        frames_lost=counts.lost,
        frames_bad=counts.bad,
        frames_repeated=counts.repeated,
        device_resets=counts.resets,
        clock_error_s=clock_error,
    )


def versions(config: StandConfig, software: str, firmware: str) -> c.Versions:
    """What judged a run, so that it can be judged again."""
    reading = config.stand.reading
    return c.Versions(
        software=software,
        firmware=firmware,
        configuration=config.digest,
        calibrations={name: calibration.certificate for name, calibration in config.calibrations.items()},
        decision={
            "coverage": 0.95,
            "settle_s": reading.settle,
            "window_s": reading.window,
            "looks": reading.looks,
            "peak_window_s": reading.peak_window,
            "steady_share": config.stand.channels.steady_share,
        },
    )


def recording_header(active: About, entry: Entry, config: StandConfig, run: Run) -> dict[str, object]:
    """What a replay needs to judge a recording again exactly as it was judged: the texts in force, and what else the
    run was given."""
    return {
        "run": active.run,
        "started": active.started.isoformat(),
        "sim": active.sim,
        "serial": active.serial,
        "part": {"number": entry.part.number, "revision": entry.part.revision, "digest": entry.part.digest},
        "part_text": entry.text,
        "stand_text": config.text,
        "years": dict(run.years),
        "history": plain_history(run.history),
    }
