"""The simulator's firmware on a board of paper: its levels, inputs and edges are those of the span."""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from drivers.block import Feature, Input
from simulator.coupling import Answer, Span
from simulator.design import DeviceDesign
from simulator.firmware import Firmware
from simulator.plant.meter import Meter, MeterDesign
from simulator.plant.sensors import Converter, Sensor

ALL_INPUTS = Input.STOP_CIRCUIT | Input.SPLASH_GUARD | Input.FLUID_LEVEL
DRIVEN = DeviceDesign(
    device_id=bytes.fromhex("4d48303062310001"),
    boot=41,
    block_scans=16,
    burst_max_hz=20_000,
    burst_max_total=4000,
    features=Feature.SIMULATED | Feature.POWER_SWITCH | Feature.VALVE_ACTUATOR,
    inputs_fitted=ALL_INPUTS,
)
"""A stand that drives itself: a switch, an actuator without a sensor, a supply that stays as it is."""


def channel(role: int, zero: int = 0, volts: float = 5 / 4096, span: tuple[int, int] = (0, 4095)) -> Sensor:
    """A channel as a device sees it: what lies before its converter does not matter here."""
    return Sensor(f"role {role}", role, Converter(12, volts, zero, *span), 0.0, 1.0)


@dataclass
class PaperBoard:
    """What simulator.firmware.Board asks for, with nothing behind it. The valve is where it was sent, at once."""

    converters: tuple[Converter, ...]
    roles: tuple[int, ...]
    ticks: int
    inputs: Input = ALL_INPUTS
    volts: tuple[float, ...] = ()
    edges: list[int] = field(default_factory=list)
    tick: int = 0
    overrange: int = 0
    supply_mv: int = 0
    travel: float = 1.0
    powered: bool = False
    moving: bool = False
    aimed: int | None = None
    fell: int | None = None
    meter: Meter = field(default_factory=lambda: Meter(MeterDesign(((1.0, 1.0),))))

    def scan(self) -> list[int]:
        """Time moves on by one scan, which is read at its end; `edges` are ticks."""
        self.tick += self.ticks
        while self.edges and self.edges[0] <= self.tick:
            self.meter.edges += 1
            self.meter.last_tick = self.edges.pop(0)
        pairs = [_count(c, v) for c, v in zip(self.converters, self.volts, strict=True)]
        self.overrange = sum(over << k for k, (_, over) in enumerate(pairs))
        return [count for count, _ in pairs]

    def burst(self, role: int, places: NDArray[np.float64]) -> tuple[list[int], bool]:
        k = self.roles.index(role)
        count, over = _count(self.converters[k], self.volts[k])
        return [count] * len(places), over

    def switch(self, on: bool) -> None:
        if self.powered and not on:
            self.fell = self.tick
        self.powered = on

    def set_supply(self, millivolts: int) -> None:
        self.supply_mv = millivolts

    def aim_valve(self, travel: float, full_travel: float) -> None:
        self.travel = travel
        self.aimed = round(travel * 10_000)

    def streaming(self) -> None:
        """Nobody follows a script here."""


class PaperDevice:
    """simulator.firmware.Firmware behind the face. `tick` and `edges` are what its counters start with at every
    boot."""

    def __init__(
        self,
        design: DeviceDesign,
        channels: tuple[Sensor, ...],
        *,
        tick: int = 0,
        edges: int = 0,
    ) -> None:
        self._presets = tick, edges
        converters = tuple(c.converter for c in channels)
        self._scan_us = 1_000_000 // design.sample_hz
        self._ns_per_tick = 1_000_000_000 // design.tick_hz
        self.board = PaperBoard(converters, tuple(c.role for c in channels), design.tick_hz // design.sample_hz)
        self.firmware = Firmware(design, channels, self.board)
        self._preset()

    def _preset(self) -> None:
        tick, edges = self._presets
        self.board.tick += tick
        self.board.meter.edges += edges

    def run(self, span: Span) -> Answer:
        """Bytes are taken at the span's start; a span is a whole number of scans."""
        scans, rest = divmod(span.microseconds, self._scan_us)
        assert rest == 0, f"a span of {span.microseconds} µs, expected whole scans of {self._scan_us} µs"
        board = self.board
        start = board.tick
        board.volts, board.inputs, board.fell = tuple(span.volts), Input(span.inputs), None
        board.edges += [start + ns // self._ns_per_tick for ns in span.edges]
        self.firmware.receive(span.received)
        sent = self.firmware.advance(scans * self._scan_us * 1e-6)
        fell = None if board.fell is None else (board.fell - start) * self._ns_per_tick
        return Answer(sent, board.powered, fell, board.aimed, fine=False)

    def reset(self, cause: int) -> None:
        self.firmware.take()
        self.board.edges.clear()
        self.board.aimed = None
        self.firmware.reset(cause)
        self._preset()

    def close(self) -> None:
        """Nothing is held."""


def _count(converter: Converter, volts: float) -> tuple[int, bool]:
    """A count, and whether it is at an end of the converter other than its zero."""
    count = round(volts / abs(converter.volts_per_count))
    count = min(max(count, converter.lowest), converter.highest)
    return count, count in {converter.lowest, converter.highest} - {converter.zero_count}
