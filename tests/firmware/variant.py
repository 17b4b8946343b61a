"""Devices that are built otherwise: other outputs, inputs and channels, and counters that begin elsewhere."""

from dataclasses import dataclass, replace

from drivers.block import Feature, Input, Role
from simulator.plant.sensors import Sensor
from tests.firmware.paper import ALL_INPUTS, DRIVEN, PaperDevice, channel


@dataclass(frozen=True, slots=True)
class Line:
    """An analog channel of 12 bits as IDENTITY tells it: count 0 to 4095."""

    role: int
    zero_count: int = 0
    volts_per_count: float = 5 / 4096

    def sensor(self) -> Sensor:
        return channel(self.role, self.zero_count, self.volts_per_count)


LINES = (
    Line(Role.PRESSURE),
    Line(Role.SUPPLY_VOLTAGE),
    Line(Role.SHUNT, 41),
    Line(Role.FLUID_TEMPERATURE),
    Line(Role.LEVEL),
    Line(Role.SHUNT_WIDE, 41),
)


@dataclass(frozen=True, slots=True)
class Variant:
    """How a device differs from a stand that drives itself. `tick` and `edges` are what its counters begin with at
    every boot, `boot` is the number of its first."""

    features: Feature = DRIVEN.features
    inputs: Input = ALL_INPUTS
    lines: tuple[Line, ...] = LINES
    tick: int = 0
    edges: int = 0
    boot: int = 41


def paper(variant: Variant) -> PaperDevice:
    """The simulator's firmware, built so."""
    design = replace(DRIVEN, features=variant.features, inputs_fitted=variant.inputs, boot=variant.boot)
    sensors = tuple(line.sensor() for line in variant.lines)
    return PaperDevice(design, sensors, tick=variant.tick, edges=variant.edges)


def options(variant: Variant) -> list[str]:
    """What the reference firmware's host program has to be told to be built so."""
    told = {
        "features": int(variant.features),
        "inputs": int(variant.inputs),
        "tick": variant.tick,
        "edges": variant.edges,
        "boot": variant.boot,
    }
    words = [word for name, value in told.items() for word in (f"--{name}", str(value))]
    for line in variant.lines:
        words += ["--channel", f"{line.role}:12:{line.zero_count}:{line.volts_per_count!r}"]
    return words
