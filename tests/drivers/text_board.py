"""A board on the simulated bench that knows no link: it prints a header and then a line for each few scans."""

from collections.abc import AsyncIterator, Callable, Sequence
from contextlib import aclosing
from dataclasses import dataclass, field

import numpy as np

from drivers.block import Block, Event, Replayed, Role
from drivers.device import Address
from drivers.text_lines import TextLinesDevice
from simulator.bench import Bench
from simulator.operator import Operator
from simulator.scenario import load_scenario

LITRES_PER_HOUR = 1 / 3.6e6
COUNTED = "time [s], pressure [kPa], voltage [V], current [A], temperature [degC], level [%], edges, last_edge_us"
STATED = "time [ms]; current [mA]; voltage [V]; pressure [bar]; temperature [K]; level [1]; flow [L/h]"

SHOWN = {
    "pressure [kPa]": (Role.PRESSURE, 1e3, 0.0, 2),
    "pressure [bar]": (Role.PRESSURE, 1e5, 0.0, 4),
    "voltage [V]": (Role.SUPPLY_VOLTAGE, 1.0, 0.0, 3),
    "current [A]": (Role.SHUNT, 1.0, 0.0, 3),
    "current [mA]": (Role.SHUNT, 1e-3, 0.0, 0),
    "temperature [degC]": (Role.FLUID_TEMPERATURE, 1.0, 273.15, 2),
    "temperature [K]": (Role.FLUID_TEMPERATURE, 1.0, 0.0, 2),
    "level [%]": (Role.LEVEL, 0.01, 0.0, 1),
    "level [1]": (Role.LEVEL, 1.0, 0.0, 3),
}
"""What a column shows: role, its unit in SI and where that begins, digits behind the point."""


@dataclass(eq=False)
class TextBoard:
    """`line` moves virtual time on by `every` scans of the bench and prints their means. `broken` columns print `nan`,
    `frozen` ones what they printed last (empty: not yet). `later` holds what happens to the board when the bench has
    come so far (s)."""

    bench: Bench
    header: str = COUNTED
    every: int = 5
    broken: set[str] = field(default_factory=set)
    frozen: dict[str, str] = field(default_factory=dict)
    later: list[tuple[float, Callable[["TextBoard"], None]]] = field(default_factory=list)
    started: float = 0.0

    def __post_init__(self) -> None:
        self._separator = "; " if ";" in self.header else ", "
        self._columns = [head.strip() for head in self.header.split(self._separator.strip())]
        self._sensors = list(self.bench.scenario.sensors)
        self.unplugged = False

    @property
    def time(self) -> float:
        return self.bench.time

    def first(self) -> bytes:
        """The header."""
        return f"# a board of the depot\r\n{self.header}\r\n".encode()

    def line(self) -> bytes:
        self.bench.streaming()
        while self.later and self.later[0][0] <= self.time:
            self.later.pop(0)[1](self)
        counts = np.array([self.bench.scan() for _ in range(self.every)], dtype=float).mean(axis=0)
        fields = [self._field(head, counts) for head in self._columns]
        return (self._separator.join(fields) + "\r\n").encode()

    def restart(self) -> None:
        """Its clock begins anew."""
        self.started = self.time

    def _field(self, head: str, counts: Sequence[float]) -> str:
        if head in self.broken:
            return "nan"
        if head in self.frozen:
            self.frozen[head] = self.frozen[head] or self._shown(head, counts)
            return self.frozen[head]
        return self._shown(head, counts)

    def _shown(self, head: str, counts: Sequence[float]) -> str:
        bench, now = self.bench, self.time - self.started
        if head == "time [s]":
            return f"{now:.6f}"
        if head == "time [ms]":
            return f"{now * 1e3:.0f}"
        if head == "edges":
            return str(bench.meter.edges)
        if head == "last_edge_us":
            return str(max(0, round(bench.meter.last_tick * 1e6 / bench.scenario.device.tick_hz)))
        if head == "flow [L/h]":
            return f"{bench.meter.flow * bench.meter.gain / LITRES_PER_HOUR:.2f}"
        role, unit, begin, digits = SHOWN[head]
        return f"{(self._quantity(role, counts) - begin) / unit:.{digits}f}"

    def _quantity(self, role: Role, counts: Sequence[float]) -> float:
        """By the sensor's nominal line, as a board that was set up rightly works it out."""
        k = next(k for k, sensor in enumerate(self._sensors) if sensor.role == role)
        sensor, made = self._sensors[k], self._sensors[k].converter
        volts = (counts[k] - made.zero_count) * made.volts_per_count
        return (volts - sensor.volts_at_zero) / sensor.volts_per_unit + sensor.quantity_zero


class BoardTransport:
    """The board's line in memory, in virtual time."""

    def __init__(self, board: TextBoard) -> None:
        self.board = board
        self._begun = False

    async def read(self) -> bytes | None:
        if self.board.unplugged:
            return b""
        begun, self._begun = self._begun, True
        return self.board.line() if begun else self.board.first()

    async def write(self, data: bytes) -> None:
        raise AssertionError("nobody writes to a board that only prints")

    async def close(self) -> None:
        self.board.unplugged = True


class BoardDevice(TextLinesDevice):
    """The board as a device; the confirmations of the person at the bench come behind the block they were said in."""

    def __init__(self, board: TextBoard) -> None:
        address = Address.parse("text://bench.invalid:4001")
        super().__init__(BoardTransport(board), address, lambda: board.time, virtual=True)
        self.board = board

    @property
    def operator(self) -> Operator:
        return self.board.bench.operator

    async def events(self) -> AsyncIterator[Event]:
        async with aclosing(super().events()) as events:  # type: ignore[type-var]  # an async generator by nature
            async for event in events:
                yield event
                if isinstance(event, Block):
                    for word in self.operator.take_confirmations():
                        yield Replayed("confirm", {"what": word})


async def open_board(unit: str = "good-pump", header: str = COUNTED, every: int = 5, seed: int = 1) -> BoardDevice:
    device = BoardDevice(TextBoard(Bench(load_scenario("depot"), unit, seed), header, every))
    await device.start()
    return device
