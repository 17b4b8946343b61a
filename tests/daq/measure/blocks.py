"""A stand on paper: channels with easy numbers, and blocks of counts made from quantities in SI."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from daq.measure.channels import (
    Channels,
    Distribution,
    Doubt,
    FlowInput,
    LevelInput,
    PressureInput,
    PressureKind,
    ShuntInput,
    TemperatureInput,
    VoltageInput,
)
from daq.measure.convert import Column, channel_maps
from drivers.block import AnalogInput, Block, Feature, Identity, Input, Role

Floats = NDArray[np.float64]
LITRES_PER_HOUR = 1 / 3.6e6
VOLTS_PER_COUNT = 5 / 32768

ROLES = (Role.PRESSURE, Role.SUPPLY_VOLTAGE, Role.SHUNT, Role.FLUID_TEMPERATURE, Role.LEVEL)
COLUMN = dict(zip(ROLES, Column, strict=True))

PRESSURE = PressureInput(
    kind=PressureKind.RATIOMETRIC,
    low=0.0,
    high=1e6,
    out_low=0.1,
    out_high=0.9,
    valid_low=0.06,
    valid_high=0.94,
    k_line=12e3 / (120 * LITRES_PER_HOUR) ** 2,
    doubts=(Doubt("calibration", absolute=2e3, distribution=Distribution.NORMAL),),
)
SHUNT = ShuntInput(r20=5e-3, gain=40.0, doubts=(Doubt("calibration", relative=0.005),))
VOLTAGE = VoltageInput(divider=0.2, doubts=(Doubt("calibration", relative=0.001),))
FLOW = FlowInput(
    k_table=((40.0, 4.55e6), (80.0, 4.595e6), (160.0, 4.605e6), (240.0, 4.6e6)),
    stall_flow=2 * LITRES_PER_HOUR,
    doubts=(Doubt("calibration", relative=0.005, distribution=Distribution.NORMAL),),
)
TEMPERATURE = TemperatureInput(volts_at_zero_celsius=0.5, volts_per_kelvin=0.01)
LEVEL = LevelInput(volts_empty=0.5, volts_full=4.5)

CHANNELS = Channels(PRESSURE, SHUNT, VOLTAGE, FLOW, TEMPERATURE, LEVEL)


def identity(roles: Sequence[int] = ROLES, sample_hz: int = 500, pulse: Sequence[int] = (1,)) -> Identity:
    """A device with these analog channels, all on the same converter: 5 V in 32768 counts."""
    return Identity(
        protocol=1,
        features=Feature.SIMULATED,
        device_id="paper",
        firmware="1.0.0",
        inputs_fitted=Input(0),
        reset_cause=1,
        boot=1,
        tick_hz=1_000_000,
        sample_hz=sample_hz,
        burst_max_hz=0,
        burst_max_total=0,
        analog=tuple(AnalogInput(role, 16, 0, VOLTS_PER_COUNT) for role in roles),
        pulse=tuple(pulse),
    )


def counts_of(values: Mapping[Role, Floats], roles: Sequence[Role] = ROLES, channels: Channels = CHANNELS) -> Floats:
    """The converter's counts, not yet rounded, for quantities in SI by role (`[n]` each)."""
    maps = channel_maps(channels)
    lines = [maps[COLUMN[role]] for role in roles]
    volts = [(values[role] - line.offset) / line.slope for role, line in zip(roles, lines, strict=True)]
    return np.stack(volts, axis=1) / VOLTS_PER_COUNT


def clipped(counts: Floats) -> NDArray[np.int16]:
    return np.clip(np.rint(counts), -32768, 32767).astype(np.int16)


@dataclass(slots=True)
class Line:
    """Puts counts and edges of one boot into blocks; ticks and indexes count on."""

    sample_hz: int = 500
    tick0: int = 5_000
    boot: int = 1
    scans: int = 0
    edges: int = 0
    last_edge: int = -1
    missing: int = 0
    per_scan: int = field(init=False)

    def __post_init__(self) -> None:
        self.per_scan = 1_000_000 // self.sample_hz

    def block(self, counts: NDArray[np.int16], edge_ticks: Iterable[int] = (), overrange: int = 0) -> Block:
        """The next block, with the edges that came up to its last scan (ticks from the first scan)."""
        for tick in edge_ticks:
            self.edges += 1
            self.last_edge = self.tick0 + tick
        first, missing = self.scans, self.missing
        self.scans += counts.shape[0]
        self.missing = 0
        return Block(
            boot=self.boot,
            tick=self.tick0 + first * self.per_scan,
            index=first,
            values=counts,
            edges=np.array([self.edges]),
            last_edge=np.array([self.last_edge]),
            missing=missing,
            overrange=overrange,
        )

    def lose(self, block: Block) -> None:
        """A block that the line swallowed: its scans are missing before the next one, its edges were counted."""
        self.missing += block.n + block.missing

    @property
    def last_tick(self) -> int:
        """The tick of the newest scan, from the first scan."""
        return (self.scans - 1) * self.per_scan


def steady_blocks(
    values: Mapping[Role, float],
    n: int,
    *,
    sizes: Sequence[int] = (25,),
    hertz: float = 0.0,
    noise: float = 0.0,
    seed: int = 1,
) -> list[Block]:
    """`n` scans of constant quantities (noise in counts), in blocks of `sizes` in turn, with edges at `hertz` and
    exact ticks: edge k at k/hertz seconds."""
    line = Line()
    scatter = np.random.default_rng(seed).standard_normal((n, len(ROLES))) * noise
    counts = clipped(counts_of({r: np.full(n, values[r]) for r in ROLES}) + scatter)
    blocks, k, edge = [], 0, 1
    while line.scans < n:
        part = counts[line.scans : line.scans + sizes[k % len(sizes)]]
        k += 1
        last = (line.scans + part.shape[0] - 1) * line.per_scan
        ticks = []
        while hertz and round(edge * 1e6 / hertz) <= last:
            ticks.append(round(edge * 1e6 / hertz))
            edge += 1
        blocks.append(line.block(part, ticks))
    return blocks


RESTING: dict[Role, float] = {
    Role.PRESSURE: 0.0,
    Role.SUPPLY_VOLTAGE: 0.0,
    Role.SHUNT: 0.0,
    Role.FLUID_TEMPERATURE: 293.15,
    Role.LEVEL: 0.0,
}
