"""An MQTT broker on loopback, for as long as a demonstration lasts.

It is `mosquitto` where that is installed, else the broker inside the package `iotcore` (extra `demo`). Both run as a
child that listens on 127.0.0.1 only, on a port of its own choosing, open to everybody on this machine and with nothing
kept afterwards: fit for showing, not for a plant.
"""

import asyncio
import os
import shutil
import socket
import sys
import tempfile
from asyncio.subprocess import DEVNULL, Process
from collections.abc import AsyncIterator
from contextlib import AsyncExitStack, asynccontextmanager
from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path
from typing import Literal

Kind = Literal["mosquitto", "embedded"]

VERSION: dict[Kind, Literal["5", "3.1.1"]] = {"mosquitto": "5", "embedded": "3.1.1"}
HOST = "127.0.0.1"
START_S = 10.0  # a loaded single-board computer takes seconds; a desktop a tenth of one
STOP_S = 3.0
TRIES = 3  # a port that was free may be taken by somebody else before the broker has it
NOBODY = "65534"  # the id that Linux and Debian policy give to whoever owns nothing

# What a broker must understand: MQTT 3.1.1 (OASIS 2014), 3.1 and 3.2, with no more in them than has to be.
CONNECT = b"\x10\x11\x00\x04MQTT\x04\x02\x00\x0a\x00\x05probe"
CONNACK_ACCEPTED = b"\x20\x02\x00\x00"
DISCONNECT = b"\xe0\x00"

# Nagle's algorithm would hold small messages back for tens of milliseconds.
MOSQUITTO_CONF = """\
listener {port} {host}
allow_anonymous true
set_tcp_nodelay true
persistence false
log_dest stderr
log_type error
log_type warning
"""

# Its own default for a payload, 20 kB, is less than a long result. It logs every packet as an error unless told not to.
EMBEDDED = """\
import logging
logging.getLogger("rumqttd").setLevel(logging.CRITICAL)
from iotcore import IotCoreBroker
IotCoreBroker(listen={host!r}, port={port}, max_payload_size=1_000_000).run_forever()
"""


class BrokerError(Exception):
    """There is no broker to be had here, or it did not start; the text says what to do."""


@dataclass(frozen=True, slots=True)
class Broker:
    """A broker that accepts connections. `version` is the newest MQTT that it understands."""

    host: str
    port: int
    kind: Kind
    version: Literal["5", "3.1.1"]
    pid: int

    @property
    def url(self) -> str:
        return f"mqtt://{self.host}:{self.port}"


@asynccontextmanager
async def demo_broker(kind: Kind | None = None) -> AsyncIterator[Broker]:
    """Runs a broker for the length of the block: the given kind, else the best there is.

    It does not hear a Ctrl-C in the terminal, so that what publishes can still say good-bye, and it ends with this
    process even when this process is killed.

    Raises:
        BrokerError: the kind is not installed, none is, or it did not accept connections in time.
    """
    chosen = kind or best_kind()
    async with AsyncExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="steadyhead-broker-")))
        for attempt in range(1, TRIES + 1):
            port = _free_port()
            log = folder / "log"
            process = await _spawn(_command(chosen, port, folder), log)
            stack.push_async_callback(_end, process)
            if await _listens(process, port):
                yield Broker(HOST, port, chosen, VERSION[chosen], process.pid)
                return
            if attempt == TRIES or process.returncode is None:
                raise BrokerError(_why(chosen, port, process, log))


def best_kind() -> Kind:
    """The kind that is installed, `mosquitto` before `embedded`.

    Raises:
        BrokerError: neither is.
    """
    if _mosquitto() is not None:
        return "mosquitto"
    if find_spec("iotcore") is not None:
        return "embedded"
    raise BrokerError(
        "no MQTT broker on this machine: expected the program mosquitto (in PATH or /usr/sbin) or the Python package "
        "iotcore. Install one of them: `apt-get install mosquitto` as root, or start through deploy/demo, which brings "
        "its own"
    )


def _mosquitto() -> str | None:
    """Its path. Debian puts it where only root's PATH leads."""
    return shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin")


def _command(kind: Kind, port: int, folder: Path) -> list[str]:
    if kind == "embedded":
        if find_spec("iotcore") is None:
            raise BrokerError("embedded MQTT broker: the Python package iotcore is not here; install steadyhead[demo]")
        return [*_tether(unprivileged=False), sys.executable, "-c", EMBEDDED.format(host=HOST, port=port)]
    program = _mosquitto()
    if program is None:
        raise BrokerError("MQTT broker: no program mosquitto in PATH or /usr/sbin; as root: apt-get install mosquitto")
    conf = folder / "mosquitto.conf"
    conf.write_text(MOSQUITTO_CONF.format(host=HOST, port=port), encoding="utf-8")
    folder.chmod(0o711)  # an unprivileged broker reads it
    conf.chmod(0o644)
    return [*_tether(unprivileged=True), program, "-c", str(conf)]


async def _spawn(command: list[str], log: Path) -> Process:
    """Starts the broker in a session of its own, with what it complains about in `log`."""
    with log.open("wb") as out:
        return await asyncio.create_subprocess_exec(
            *command, stdin=DEVNULL, stdout=out, stderr=out, start_new_session=True
        )


def _tether(*, unprivileged: bool) -> list[str]:
    """What stands before a command so that it ends when this process does.

    mosquitto gives up root's rights by itself, but the kernel cuts the tether then; so they are given up before.
    """
    if shutil.which("setpriv") is None:
        return []
    drop = ["--reuid", NOBODY, "--regid", NOBODY, "--clear-groups"] if unprivileged and os.geteuid() == 0 else []
    return ["setpriv", *drop, "--pdeathsig", "TERM", "--"]


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind((HOST, 0))
        port: int = probe.getsockname()[1]
        return port


async def _listens(process: Process, port: int) -> bool:
    """Waits until the port speaks MQTT; False if the broker ended or took too long."""
    try:
        async with asyncio.timeout(START_S):
            while process.returncode is None:
                try:
                    if await _greets(port):
                        return True
                except (ConnectionError, asyncio.IncompleteReadError):
                    pass
                await asyncio.sleep(0.02)
    except TimeoutError:
        pass
    return False


async def _greets(port: int) -> bool:
    """Says hello and good-bye in MQTT: a bare connection might be to whoever snatched the port."""
    reader, writer = await asyncio.open_connection(HOST, port)
    try:
        writer.write(CONNECT)
        async with asyncio.timeout(1):
            greeting = await reader.readexactly(len(CONNACK_ACCEPTED))
        writer.write(DISCONNECT)
        await writer.drain()
        return greeting == CONNACK_ACCEPTED
    except TimeoutError:
        return False
    finally:
        writer.close()


def _why(kind: Kind, port: int, process: Process, log: Path) -> str:
    state = "did not listen in time" if process.returncode is None else f"ended with code {process.returncode}"
    said = log.read_text(encoding="utf-8", errors="replace").strip() or "nothing"
    return f"MQTT broker ({kind}) on {HOST}:{port}: {state} ({START_S:g} s allowed). It said: {said}"


async def _end(process: Process) -> None:
    """Ends the broker by its process object and leaves no zombie."""
    if process.returncode is not None:
        return
    process.terminate()
    try:
        async with asyncio.timeout(STOP_S):
            await process.wait()
    except TimeoutError:
        process.kill()
        await process.wait()
