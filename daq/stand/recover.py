"""What a killed daemon had measured of a run: its recording, judged up to where it stops."""

import asyncio
import hashlib
import logging
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from daq.catalogue.errors import CatalogueError
from daq.catalogue.stand_file import StandConfig
from daq.procedure.effects import Alarm
from daq.publish import contract as c
from daq.stand.active import ActiveRun
from daq.stand.budget import budget_of
from daq.stand.errors import StandError
from daq.stand.finish import write_run_trace
from daq.stand.rejudge import begun, follow, in_force, judged
from drivers.device import Address, DriverError
from drivers.recording import RecordingError
from drivers.replay import ReplayDevice, open_replay

KILLED = "daemon was killed"
DAMAGED = "killed; record damaged"
UNUSABLE = "killed; record unusable"
"""`why` of the result, in no more characters than a verdict has room for."""
ASIDE = ".unread.rec"
"""Ending of a recording that this program could not judge though nothing is wrong with its entries."""
MEASURED = ("findings", "readings", "conditions", "quality", "pump_on_s", "hints")
"""What a run's result says that comes from measuring; all else is in the record since the run's start."""

_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Recovered:
    """What goes into the void result of a run that was cut off; `budgets` has one for each reading."""

    why: str = KILLED
    data: dict[str, Any] = field(default_factory=dict)
    budgets: tuple[Any, ...] = ()

    def audited(self, data: c.ResultData) -> dict[str, Any]:
        """The readings with their budgets, which are kept for an auditor and not sent."""
        readings = c.plain(data)["readings"]
        if len(readings) != len(self.budgets):
            return {}
        return {"readings": [{**r, "budget": b} for r, b in zip(readings, self.budgets, strict=True)]}


NOTHING = Recovered()


async def recovered(config: StandConfig, run: str) -> Recovered:
    """What the recording of `run` holds, with its trace written. Never raises, whatever the recording is: it gives what
    could be read, and says so in `why` and in the log."""
    path = config.data / "recordings" / f"{run}.rec"
    with suppress(OSError):  # what a killed writer left
        (config.data / "traces" / f"{run}.parquet.tmp").unlink()
    if not path.exists():
        _log.warning("run %s was cut off and has no recording at %s; it is closed without readings", run, path)
        return NOTHING
    try:
        device = await open_replay(Address(f"replay://{path}", "replay", str(path)))
        return await _judged(config, device, run, path)
    except (DriverError, StandError, CatalogueError) as error:
        _log.warning("run %s was cut off and is closed without readings: %s", run, error)
        return Recovered(UNUSABLE)
    except Exception:  # noqa: BLE001 - it is logged, and nothing may keep a stand from starting
        # A mistake of ours must not keep the stand down at each start; the file is evidence of it.
        aside = path.with_suffix(ASIDE)
        _log.exception("run %s was cut off and is closed without readings; its recording is kept as %s", run, aside)
        with suppress(OSError):
            path.rename(aside)
        return Recovered(UNUSABLE)


async def _judged(config: StandConfig, device: ReplayDevice, run: str, path: Path) -> Recovered:
    force = in_force(device)
    if force.run != run:
        raise RecordingError(f"recording {path}: expected run {run}, found {force.run}; name the files as they were")
    active, why = begun(device, force), KILLED
    try:
        await follow(active, device)
    except RecordingError as error:
        _log.warning("run %s was cut off; judged as far as its recording is sound: %s", run, error)
        why = DAMAGED
        active.run.halt("recording damaged")
    outcome = active.run.outcome
    assert outcome is not None, "a halted run has an outcome"
    said = c.plain(judged(active, device, force))
    data = {name: said[name] for name in MEASURED if said.get(name) is not None}
    files = await asyncio.to_thread(_files, config, active, path)
    return Recovered(why, data | files, tuple(budget_of(reading) for reading in outcome.readings))


def _files(config: StandConfig, active: ActiveRun, path: Path) -> dict[str, Any]:
    """The recording as it is left, and a trace made of it."""
    files: dict[str, Any] = {}
    try:
        content = path.read_bytes()
        files["recording"] = c.File(
            file=f"recordings/{path.name}", sha256=hashlib.sha256(content).hexdigest(), bytes=len(content)
        )
    except OSError as error:
        _log.warning("recording %s: %s", path, error)
    trace = write_run_trace(active, config)
    if isinstance(trace, Alarm):
        _log.warning("%s; %s", trace.text, trace.do)
    elif trace is not None:
        files["trace"] = trace
    return files
