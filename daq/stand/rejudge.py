"""A recording judged again: the same bytes, the same notes, the texts that were in force, no database."""

import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from pydantic import TypeAdapter

from daq import __version__
from daq.catalogue.find import PARTS, STAND_FILE
from daq.catalogue.load import Catalogue, load_catalogue, load_stand
from daq.catalogue.stand_file import StandConfig
from daq.measure.errors import MeasureError
from daq.measure.scatter import Known
from daq.procedure.effects import Effect
from daq.procedure.run import Run
from daq.publish import contract as c
from daq.publish.contract.base import PartNumber, RunId, Serial
from daq.stand.active import ActiveRun, quality, versions
from daq.stand.errors import StandError
from daq.stand.history import history_from
from daq.stand.result import About, result_data
from drivers.replay import ReplayDevice

OLDEST = 1000.0
"""No calibration is older, in years."""


@dataclass(frozen=True, slots=True)
class InForce:
    """The configuration and catalogue that a recording was judged by, the age of the calibrations then, how channels
    had scattered before, and about which run it is."""

    config: StandConfig
    catalogue: Catalogue
    years: dict[str, float]
    part: str
    run: str
    serial: str
    started: datetime
    history: dict[str, Known]


def in_force(device: ReplayDevice, directory: Path | None = None) -> InForce:
    """What the recording's header says; with `directory` the configuration there instead, to judge it differently.

    Raises:
        StandError: the header lacks it: the recording was not made by a run.
        CatalogueError: a text is not what this version reads.
    """
    header: Any = device.header
    try:
        with tempfile.TemporaryDirectory() as made:
            where = directory or _laid_out(Path(made), header)
            config = load_stand(where)
            catalogue = load_catalogue(where, config.stand)
        part = TypeAdapter(PartNumber).validate_python(header["part"]["number"], strict=True)
        run = TypeAdapter(RunId).validate_python(header["run"], strict=True)
        serial = TypeAdapter(Serial).validate_python(header["serial"], strict=True)
        years = {k: _age(v) for k, v in header["years"].items()}
        started = _moment(header["started"])
        # Another configuration is another process, and recordings of an older version have no history.
        history = {} if directory else history_from(header.get("history", {}))
        return InForce(config, catalogue, years, part, run, serial, started, history)
    except (AttributeError, KeyError, TypeError, ValueError, OverflowError, OSError) as error:
        raise StandError(
            f"{device.address.text}: its header lacks what a run writes there ({error}); judge it with the daemon that "
            "made it, or name a recording of a run"
        ) from error


def _age(value: Any) -> float:
    """Years since a calibration.

    Raises:
        ValueError: none can be so old.
    """
    years = float(value)
    if not abs(years) <= OLDEST:  # one that is dated later than the run is told elsewhere
        raise ValueError(f"years since a calibration: expected at most {OLDEST:g}, found {years}")
    return years


def _moment(value: Any) -> datetime:
    """When the run began.

    Raises:
        ValueError: no run did then.
    """
    started = datetime.fromisoformat(value)
    if started.tzinfo is None or not 1970 <= started.year <= 9000:
        raise ValueError(f"started: expected a time with its offset from UTC, found {value!r}")
    return started


def _laid_out(where: Path, header: Any) -> Path:
    (where / PARTS).mkdir()
    (where / STAND_FILE).write_bytes(header["stand_text"].encode())
    (where / PARTS / "part.toml").write_bytes(header["part_text"].encode())
    return where


async def rejudge(
    device: ReplayDevice, force: InForce, hear: Callable[[Effect], None] = lambda _: None
) -> c.ResultData:
    """Judges a recording; the result has seq 0 and counts as simulated, since no hardware gave it now.

    Raises:
        UnknownPartError: the configuration named has no such part.
        RecordingError: an entry is damaged.
    """
    active = begun(device, force)
    await follow(active, device, hear)
    return judged(active, device, force)


def begun(device: ReplayDevice, force: InForce) -> ActiveRun:
    """The run as it was when its recording began.

    Raises:
        UnknownPartError: the configuration named has no such part.
        StandError: the recorded device has not the channels that the configuration needs.
    """
    config, part = force.config, force.catalogue.part(force.part)
    try:
        run = Run(part, config.stand, device.identity, force.years, force.history)
    except MeasureError as error:
        raise StandError(f"{device.address.text}: {error}") from error
    about = About(
        run=force.run,
        site=config.stand.site,
        stand=config.stand.name,
        driven=config.stand.driven,
        sim=True,
        part=part.number,
        part_revision=part.revision,
        kind=part.kind.value,
        serial=force.serial,
        serial_given=True,
        order=None,
        operator=None,
        attempt=1,
        earlier_runs=(),
        started=force.started,
        absolute=config.stand.channels.pressure.absolute_reference,
        versions=versions(config, __version__, device.identity.firmware),
    )
    return ActiveRun(about, run, device.counts.copy(), 0.0, force.started)


async def follow(active: ActiveRun, device: ReplayDevice, hear: Callable[[Effect], None] = lambda _: None) -> None:
    """Feeds the run what was recorded, up to its end or the end of the recording.

    Raises:
        RecordingError: an entry is damaged; what came before was fed.
    """
    async for event in device.events():
        for effect in active.feed(event):
            hear(effect)
        if active.run.outcome is not None:
            break
    for effect in active.run.halt("recording ended"):
        hear(effect)


def judged(active: ActiveRun, device: ReplayDevice, force: InForce) -> c.ResultData:
    """The result of a run that has ended."""
    run = active.run
    assert run.outcome is not None, "a halted run has an outcome"
    ended = force.started + timedelta(seconds=run.t)
    return result_data(active.about, run.outcome, seq=0, ended=ended, quality=quality(active, device, None), files={})
