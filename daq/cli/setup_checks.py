"""The checks of `steadyhead setup check`, one after the other; each says what it found and what would mend it."""

import asyncio
import os
import shutil
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path

from daq.access import opened_by
from daq.catalogue.errors import CatalogueError
from daq.catalogue.load import check as check_configuration
from daq.catalogue.load import load_stand
from daq.catalogue.stand_file import Broker, StandConfig
from daq.cli.config import TO_DO, configuration
from daq.publish.errors import BrokerError, BrokerRefusesError
from daq.publish.mqtt import connect
from daq.record.engine import sqlite_url
from daq.record.errors import DatabaseMissingError, OldSchemaError, RecordError
from daq.record.store import Store
from daq.stand.daemon import broker_of
from daq.stand.errors import StandError
from drivers.device import Address, AddressError, DriverError, PortBusyError, PortError, open_device

ENOUGH = 1_000_000_000
"""Bytes that should be free: a run's recording and trace take some 1 MB, so this is about a thousand runs."""

DEVICE_S = 15.0
"""Seconds that a device may take to boot and to say what it is."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """One check: whether `what` is in order, what was found, and the command or deed that mends it."""

    what: str
    ok: bool
    found: str
    mend: str = ""


def outcomes(config: Path | None, today: date | None = None, data: Path | None = None) -> Iterator[Outcome]:
    """All checks, of the records in `data` where it is given. Without a stand that can be read, only the
    configuration's."""
    try:
        directory = configuration(config)
    except CatalogueError as error:
        yield Outcome("configuration", False, str(error), "steadyhead setup check --config DIR")
        return
    problems = check_configuration(directory)
    for problem in problems:
        place = f"{problem.file}: {problem.key}" if problem.key else problem.file
        yield Outcome(
            "configuration", False, f"{place}: expected {problem.expected}, found {problem.found}", problem.do
        )
    try:
        stand = load_stand(directory)
    except CatalogueError:
        return
    if not problems:
        yield _whose(stand, directory)
    yield from calibration(stand, today or datetime.now().astimezone().date())
    yield asyncio.run(device(stand.device))
    yield asyncio.run(broker(stand))
    yield database(sqlite_url(data / "records.db") if data else stand.database)
    yield disk(data.absolute() if data else stand.data)


def _whose(stand: StandConfig, directory: Path) -> Outcome:
    """An example, however sound, is nobody's configuration."""
    found = f"{stand.path}: an example; its stand, certificates and parts are invented"
    return (
        Outcome("configuration", False, found, TO_DO)
        if stand.example
        else Outcome("configuration", True, str(directory))
    )


def calibration(stand: StandConfig, today: date) -> Iterator[Outcome]:
    """Channels whose calibration is overdue, or that none is; those of an example were never calibrated."""
    if stand.example:
        yield Outcome("calibration", False, "invented certificates", TO_DO)
        return
    late = [(name, c) for name, c in stand.calibrations.items() if c.due < today]
    for name, calibrated in late:
        mend = f"have the channel calibrated, then edit [channel.{name}.calibration] in {stand.path}"
        yield Outcome("calibration", False, f"{name}: was due on {calibrated.due}", mend)
    if not late:
        first = min(c.due for c in stand.calibrations.values())
        yield Outcome("calibration", True, f"the next is due on {first}")


async def device(text: str) -> Outcome:
    """Opens the device, asks what it is, and closes it again. Power is never asked for."""
    try:
        async with asyncio.timeout(DEVICE_S):
            opened = await open_device(text)
    except DriverError as error:
        return Outcome("device", False, str(error), _mend_device(text, error))
    except TimeoutError:
        return Outcome(
            "device", False, f"{text}: said nothing for {DEVICE_S:g} s", "check power and cable of the device"
        )
    identity = opened.identity
    await opened.close()
    simulated = ", simulated" if opened.simulated else ""
    return Outcome("device", True, f"{text}: {identity.device_id}, firmware {identity.firmware}{simulated}")


def _mend_device(text: str, error: DriverError) -> str:
    """What helps against an error of opening: a command where there is one."""
    if isinstance(error, AddressError):
        return "mend [device] address in stand.toml"
    place = Path(Address.parse(text).place)
    if isinstance(error, PortBusyError):
        return f"fuser -v {place}   # shows who has it"
    if text.startswith("serial:") and not place.exists():
        return "steadyhead setup device --ports   # shows what is plugged in, and what to write into stand.toml"
    if text.startswith("serial:") and not os.access(place, os.R_OK | os.W_OK):
        return "sudo usermod -aG dialout $USER   # then log in again"
    if isinstance(error, PortError):
        return "check power and cable of the device"
    return "put the firmware for this version on the device"


async def broker(stand: StandConfig) -> Outcome:
    """Connects to the broker as the daemon would, and leaves again."""
    at = stand.broker
    try:
        async with connect(broker_of(stand), f"{stand.root}-{stand.stand.site}-{stand.stand.name}-check"):
            return Outcome("broker", True, at.url)
    except (StandError, BrokerRefusesError) as error:
        return Outcome("broker", False, str(error), f"mend [broker] in {stand.path}")
    except BrokerError as error:
        return Outcome("broker", False, str(error), _mend_broker(at))


def _mend_broker(at: Broker) -> str:
    if at.host not in ("localhost", "127.0.0.1", "::1"):
        return "mend [broker] url in stand.toml, or start the broker there"
    installed = shutil.which("mosquitto", path=f"{os.environ.get('PATH', '')}:/usr/sbin")
    return "sudo systemctl start mosquitto" if installed else "sudo apt-get install mosquitto"


def database(url: str) -> Outcome:
    """Opens the database without making one, or changing it."""
    where = ""
    try:
        with closing(Store(url, reads=True)) as store:
            where = store.where  # the URL may hold a password
            store.open()
            runs = sum(store.stats().runs.values())
    except DatabaseMissingError:
        return Outcome("database", True, f"{where}: no records yet; the first run makes them")
    except OldSchemaError:
        return Outcome("database", True, f"{where}: of an older version; the daemon brings it up to date at its start")
    except RecordError as error:
        return Outcome("database", False, str(error), "do as it says, or mend [record] database in stand.toml")
    return Outcome("database", True, f"{where}: {runs} runs")


def disk(data: Path) -> Outcome:
    """Whether recordings can be written, and for how long there is room."""
    try:
        there = next(place for place in (data, *data.parents) if place.exists())
    except PermissionError:
        return Outcome("disk", False, f"{data}: permission denied", opened_by(data))
    if not os.access(there, os.W_OK):
        mend = f"sudo install -d -o $USER {data}" if there != data else f"sudo chown $USER {data}"
        if there == data and data.stat().st_uid not in (0, os.geteuid()):  # such as an installed daemon's
            mend = (
                f"nothing, to read records; to test, be {data.owner()}:  sudo -u {data.owner()} steadyhead setup check"
            )
        return Outcome("disk", False, f"{data}: may not be written", mend)
    free = shutil.disk_usage(there).free
    text = f"{data}: {free / 1e9:.1f} GB free"
    if free < ENOUGH:
        return Outcome(
            "disk", False, f"{text}, expected at least {ENOUGH / 1e9:g} GB", f"du -sh {there}/*   # make room"
        )
    return Outcome("disk", True, text)
