"""The checks of `steadyhead setup check`, one after the other; each says what it found and what would mend it."""

import asyncio
import os
import shutil
import socket
import ssl
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path

from daq.catalogue.errors import CatalogueError
from daq.catalogue.find import find_config
from daq.catalogue.load import check as check_configuration
from daq.catalogue.load import load_stand
from daq.catalogue.stand_file import Broker, StandConfig
from daq.cli.broker import CONNACK_ACCEPTED, CONNECT, DISCONNECT
from daq.record.errors import DatabaseMissingError, RecordError
from daq.record.store import Store
from drivers.device import Address, AddressError, DriverError, PortBusyError, PortError, open_device

ENOUGH = 1_000_000_000
"""Bytes that should be free: a run's recording and trace take some 1 MB, so this is about a thousand runs."""

DEVICE_S = 15.0
"""Seconds that a device may take to boot and to say what it is."""

BROKER_S = 3.0


@dataclass(frozen=True, slots=True)
class Outcome:
    """One check: whether `what` is in order, what was found, and the command or deed that mends it."""

    what: str
    ok: bool
    found: str
    mend: str = ""


def outcomes(config: Path | None, today: date | None = None) -> Iterator[Outcome]:
    """All checks. Without a stand that can be read, only the configuration's."""
    try:
        directory = find_config(config)
    except CatalogueError as error:
        yield Outcome("configuration", False, str(error), "steadyhead setup check --config DIR")
        return
    problems = check_configuration(directory)
    for problem in problems:
        place = f"{problem.file}: {problem.key}" if problem.key else problem.file
        yield Outcome(
            "configuration", False, f"{place}: expected {problem.expected}, found {problem.found}", problem.do
        )
    if not problems:
        yield Outcome("configuration", True, str(directory))
    try:
        stand = load_stand(directory)
    except CatalogueError:
        return
    yield from calibration(stand, today or datetime.now().astimezone().date())
    yield asyncio.run(device(stand.device))
    yield broker(stand.broker)
    yield database(stand.database)
    yield disk(stand.data)


def calibration(stand: StandConfig, today: date) -> Iterator[Outcome]:
    """Channels whose calibration is overdue, or that none is."""
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
        return "ls -l /dev/serial/by-id/   # shows what is plugged in; put it into [device] address in stand.toml"
    if text.startswith("serial:") and not os.access(place, os.R_OK | os.W_OK):
        return "sudo usermod -aG dialout $USER   # then log in again"
    if isinstance(error, PortError):
        return "check power and cable of the device"
    return "put the firmware for this version on the device"


def broker(at: Broker) -> Outcome:
    """Connects to the broker; without TLS also greets it in MQTT, whatever it thinks of who is greeting."""
    mend = _mend_broker(at)
    try:
        with socket.create_connection((at.host, at.port), BROKER_S) as line:
            answered = _secured(line, at) if at.tls else _greeted(line)
    except OSError as error:
        return Outcome("broker", False, f"{at.url}: {error.strerror or error}", mend)
    if not answered:
        return Outcome(
            "broker", False, f"{at.url}: something listens, but not to MQTT", "mend [broker] url in stand.toml"
        )
    return Outcome("broker", True, at.url)


def _mend_broker(at: Broker) -> str:
    if at.host not in ("localhost", "127.0.0.1", "::1"):
        return "mend [broker] url in stand.toml, or start the broker there"
    installed = shutil.which("mosquitto", path=f"{os.environ.get('PATH', '')}:/usr/sbin")
    return "sudo systemctl start mosquitto" if installed else "sudo apt-get install mosquitto"


def _greeted(line: socket.socket) -> bool:
    """Whether it answers CONNECT with CONNACK; a refusal is one too (MQTT 3.1.1, OASIS 2014, 3.2)."""
    line.sendall(CONNECT)
    answer = line.recv(len(CONNACK_ACCEPTED))
    line.sendall(DISCONNECT)
    return answer[:2] == CONNACK_ACCEPTED[:2]


def _secured(line: socket.socket, at: Broker) -> bool:
    """Whether it shows a certificate for its name that this machine trusts."""
    context = ssl.create_default_context(cafile=at.ca_file)
    if at.cert_file is not None:
        context.load_cert_chain(at.cert_file, at.key_file)
    with context.wrap_socket(line, server_hostname=at.host):
        return True


def database(url: str) -> Outcome:
    """Opens the database without making one."""
    try:
        with closing(Store(url)) as store:
            store.open(create=False)
            runs = sum(store.stats().runs.values())
    except DatabaseMissingError:
        return Outcome("database", True, f"{url}: none yet; the first run makes it")
    except RecordError as error:
        return Outcome("database", False, str(error), "do as it says, or mend [record] database in stand.toml")
    return Outcome("database", True, f"{url}: {runs} runs")


def disk(data: Path) -> Outcome:
    """Whether recordings can be written, and for how long there is room."""
    there = next(place for place in (data, *data.parents) if place.exists())
    if not os.access(there, os.W_OK):
        mend = f"sudo install -d -o $USER {data}" if there != data else f"sudo chown $USER {data}"
        return Outcome("disk", False, f"{data}: may not be written", mend)
    free = shutil.disk_usage(there).free
    text = f"{data}: {free / 1e9:.1f} GB free"
    if free < ENOUGH:
        return Outcome(
            "disk", False, f"{text}, expected at least {ENOUGH / 1e9:g} GB", f"du -sh {there}/*   # make room"
        )
    return Outcome("disk", True, text)
