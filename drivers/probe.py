"""Is there a stand behind a serial port, and at which rate? Asked only where somebody wants it: opening a port may
restart what is behind it."""

from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from time import monotonic
from typing import Protocol

from drivers.block import Identity
from drivers.device import DeviceSilentError, PortError, ProtocolError
from drivers.line import Line
from drivers.stand_link import BAUD
from drivers.transport import Transport, open_port

RATES = (250_000, 115_200, 500_000, 1_000_000)
"""The usual rates of the stand link, its default first."""
BOOT_S = 3.0
"""Seconds given at the first rate: a board that restarts when its port is opened sits in its boot loader for two."""
ANSWER_S = 0.7
"""Seconds given at each further rate; a device answers in milliseconds, and is asked again after 0.25 s."""
KEPT = 4096
"""Bytes kept to tell what else speaks there."""
LINES = 3
PRINTABLE = 0.95
"""So many lines of so much text are no accident."""


class Tunable(Transport, Protocol):
    """A line whose rate can be changed while it is open."""

    def retune(self, baud: int) -> None: ...


@dataclass(frozen=True, slots=True)
class Answer:
    """What a port said. With `identity` a stand speaks there at `baud`; with `text` something prints lines at `baud`;
    else `why` says what came instead."""

    baud: int | None = None
    identity: Identity | None = None
    text: bool = False
    why: str = ""


@dataclass(frozen=True, slots=True)
class Patience:
    """Seconds given at the first rate, in which a board may restart, and at each further one."""

    first: float = BOOT_S
    further: float = ANSWER_S


async def probe(
    path: str,
    rates: Sequence[int] = RATES,
    *,
    opener: Callable[[str, int], Tunable] = open_port,
    clock: Callable[[], float] = monotonic,
    patience: Patience = Patience(),
) -> Answer:
    """Asks at one rate after the other who is there; switches nothing and starts no stream."""
    try:
        line = _Overheard(path, opener(path, rates[0]))
    except PortError as error:
        return Answer(why=str(error))
    try:
        return await _ask(line, rates, clock, patience)
    finally:
        with suppress(PortError):
            await line.close()


async def _ask(line: "_Overheard", rates: Sequence[int], clock: Callable[[], float], patience: Patience) -> Answer:
    text: int | None = None
    came = 0
    for k, baud in enumerate(rates):
        try:
            if k:
                line.retune(baud)
            asked = Line(line, f"serial port {line.path} at {baud} baud", clock, virtual=False)
            await asked.ask(patience.further if k else patience.first)
            return Answer(baud, asked.session.identity)
        except DeviceSilentError:
            came += line.came
            text = baud if text is None and is_text(line.heard) else text
        except (ProtocolError, PortError) as error:
            return Answer(why=str(error))
    if text is not None:
        return Answer(text, text=True)
    return Answer(why=f"{came} bytes came that are no stand link" if came else "silent")


def is_text(heard: bytes) -> bool:
    """Whether bytes are lines that somebody prints, read at the right rate."""
    lines = heard.count(b"\n")
    printable = sum(32 <= byte < 127 or byte in b"\r\n\t" for byte in heard)
    return lines >= LINES and printable >= PRINTABLE * len(heard)


def address(path: str, baud: int) -> str:
    """A port and rate as a device address."""
    return f"serial://{path}" + (f"?baud={baud}" if baud != BAUD else "")


class _Overheard:
    """A line that remembers what it gave since it was tuned last."""

    def __init__(self, path: str, line: Tunable) -> None:
        self.path = path
        self._line = line
        self.heard, self.came = b"", 0

    def retune(self, baud: int) -> None:
        self._line.retune(baud)
        self.heard, self.came = b"", 0

    async def read(self) -> bytes | None:
        data = await self._line.read()
        if data:
            self.heard, self.came = (self.heard + data)[:KEPT], self.came + len(data)
        return data

    async def write(self, data: bytes) -> None:
        await self._line.write(data)

    async def close(self) -> None:
        await self._line.close()
