"""What may go wrong on the line between device and host, seeded and on virtual time.

A list of faults is written `loss:0.01,stall:5:2,reset:12`: names with their numbers, see `TABLE`. A time may be left
out where it comes last or alone: the fault then acts at once.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Protocol

import numpy as np

from simulator.errors import SimulatorError, unknown


class FaultError(SimulatorError):
    """A list of faults that makes no sense."""


class Fault(Protocol):
    """A fault in one direction. `carry` gets the pieces that came by time `now` and gives what goes on."""

    def carry(self, pieces: list[bytes], now: float) -> list[bytes]: ...


def frames_of(data: bytes) -> list[bytes]:
    """Bytes cut behind their zeros."""
    whole, _, rest = data.rpartition(b"\0")
    cut = [piece + b"\0" for piece in whole.split(b"\0")] if whole or data[:1] == b"\0" else []
    return [*cut, rest] if rest else cut


@dataclass(slots=True)
class OneByOne:
    """Every byte comes alone."""

    def carry(self, pieces: list[bytes], now: float) -> list[bytes]:
        return [bytes([byte]) for piece in pieces for byte in piece]


@dataclass(slots=True)
class Loss:
    """Loses whole frames, each with the probability `rate`."""

    rate: float
    draw: np.random.Generator

    def carry(self, pieces: list[bytes], now: float) -> list[bytes]:
        return [frame for piece in pieces for frame in frames_of(piece) if self.draw.random() >= self.rate]


@dataclass(slots=True)
class Duplicates:
    """Brings whole frames twice, each with the probability `rate`."""

    rate: float
    draw: np.random.Generator

    def carry(self, pieces: list[bytes], now: float) -> list[bytes]:
        frames = [frame for piece in pieces for frame in frames_of(piece)]
        return [frame * 2 if self.draw.random() < self.rate else frame for frame in frames]


@dataclass(slots=True)
class Flips:
    """Turns one bit over in a byte, each byte with the probability `rate`."""

    rate: float
    draw: np.random.Generator

    def carry(self, pieces: list[bytes], now: float) -> list[bytes]:
        return [self._flip(piece) for piece in pieces]

    def _flip(self, piece: bytes) -> bytes:
        raw = np.frombuffer(piece, np.uint8)
        hit = self.draw.random(len(raw)) < self.rate
        bits = (1 << self.draw.integers(0, 8, len(raw))).astype(np.uint8)
        return (raw ^ np.where(hit, bits, 0).astype(np.uint8)).tobytes()


@dataclass(slots=True)
class Delay:
    """Everything comes `seconds` later."""

    seconds: float
    held: list[tuple[float, list[bytes]]] = field(default_factory=list)

    def carry(self, pieces: list[bytes], now: float) -> list[bytes]:
        self.held.append((now + self.seconds, pieces))
        ripe = [piece for due, held in self.held if due <= now for piece in held]
        self.held = [entry for entry in self.held if entry[0] > now]
        return ripe


@dataclass(slots=True)
class Stall:
    """From `at` on nothing comes for `seconds`, then everything at once."""

    at: float
    seconds: float
    held: list[bytes] = field(default_factory=list)

    def carry(self, pieces: list[bytes], now: float) -> list[bytes]:
        self.held += pieces
        if self.at <= now < self.at + self.seconds:
            return []
        ripe, self.held = self.held, []
        return ripe


@dataclass(slots=True)
class Garbage:
    """`size` random bytes at `at`, once."""

    at: float
    size: int
    draw: np.random.Generator
    spent: bool = False

    def carry(self, pieces: list[bytes], now: float) -> list[bytes]:
        if self.spent or now < self.at:
            return pieces
        self.spent = True
        return [self.draw.bytes(self.size), *pieces]


@dataclass(slots=True)
class Unplug:
    """From `at` on the line is gone."""

    at: float

    def carry(self, pieces: list[bytes], now: float) -> list[bytes]:
        return [] if now >= self.at else pieces


@dataclass(slots=True)
class Reset:
    """The device starts anew at `at`, once."""

    at: float
    spent: bool = False

    def carry(self, pieces: list[bytes], now: float) -> list[bytes]:
        return pieces


Made = Callable[[Sequence[float], np.random.Generator], Fault]
TABLE: dict[str, tuple[tuple[float, ...], bool, Made]] = {
    "perfect": ((), True, lambda n, draw: Delay(0.0)),
    "bytes": ((), False, lambda n, draw: OneByOne()),
    "loss": ((0.01,), True, lambda n, draw: Loss(n[0], draw)),
    "duplicates": ((0.01,), True, lambda n, draw: Duplicates(n[0], draw)),
    "flips": ((1e-4,), True, lambda n, draw: Flips(n[0], draw)),
    "delay": ((0.1,), True, lambda n, draw: Delay(n[0])),
    "stall": ((-1.0, 2.0), True, lambda n, draw: Stall(n[0], n[1])),
    "garbage": ((-1.0, 300.0), False, lambda n, draw: Garbage(n[0], int(n[1]), draw)),
    "unplug": ((-1.0,), True, lambda n, draw: Unplug(n[0])),
    "reset": ((-1.0,), False, lambda n, draw: Reset(n[0])),
}
"""By name: the numbers that stand where none are given (−1: now), whether host to device suffers too, and the maker."""


class LineFaults:
    """Faults on both directions of a line, one behind the other in the order in which they were added."""

    def __init__(self, text: str = "", seed: int = 1) -> None:
        self._seed = seed
        self._to_host: list[Fault] = []
        self._to_device: list[Fault] = []
        for part in filter(None, text.split(",")):
            self.add(part, 0.0)

    def add(self, text: str, now: float) -> None:
        """Adds one fault, such as `stall:5:2`.

        Raises:
            UnknownNameError: there is no fault of that name.
            FaultError: its numbers are none, or too many.
        """
        name, *given = text.strip().split(":")
        if name not in TABLE:
            raise unknown("line fault", name, list(TABLE))
        defaults, both, make = TABLE[name]
        numbers = _numbers(text, given, defaults, now)
        one, other = (np.random.default_rng((self._seed, len(self._to_host), k)) for k in range(2))
        self._to_host.append(make(numbers, one))
        if both:
            self._to_device.append(make(numbers, other))

    def to_host(self, data: bytes, now: float) -> list[bytes]:
        """What the host gets by time `now` (s), in the portions in which it comes."""
        pieces = [data] if data else []
        for fault in self._to_host:
            pieces = fault.carry(pieces, now)
        return [piece for piece in pieces if piece]

    def to_device(self, data: bytes, now: float) -> bytes:
        """What the device gets by time `now` (s)."""
        pieces = [data] if data else []
        for fault in self._to_device:
            pieces = fault.carry(pieces, now)
        return b"".join(pieces)

    def unplugged(self, now: float) -> bool:
        return any(isinstance(fault, Unplug) and now >= fault.at for fault in self._to_host)

    def take_reset(self, now: float) -> bool:
        """Whether the device has to start anew now."""
        due = [fault for fault in self._to_host if isinstance(fault, Reset) and not fault.spent and now >= fault.at]
        for fault in due:
            fault.spent = True
        return bool(due)


def _numbers(text: str, given: list[str], defaults: tuple[float, ...], now: float) -> list[float]:
    try:
        numbers = [float(word) for word in given]
    except ValueError as error:
        raise FaultError(f"line fault {text!r}: expected numbers behind the colons; write such as stall:5:2") from error
    if len(numbers) > len(defaults) or any(n < 0 for n in numbers):
        raise FaultError(f"line fault {text!r}: expected at most {len(defaults)} numbers, none below zero")
    numbers += defaults[len(numbers) :]
    return [now if n < 0 else n for n in numbers]
