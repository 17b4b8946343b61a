"""What can be required of a part on a stand: dimensions, stages by kind, and the range that a stand can judge in."""

from dataclasses import dataclass

from daq.catalogue import units
from daq.catalogue.units import Dimension
from daq.judge.requirement import Quantity
from daq.procedure.plan import Kind, Stand
from daq.procedure.table import RATED, STAGES, sequence


@dataclass(frozen=True, slots=True)
class Range:
    """From `low` to `high` in SI, both judged; `end` says what ends it."""

    low: float
    high: float
    end: str


AT_FLOW = frozenset({Quantity.CURRENT, Quantity.POWER, Quantity.EFFICIENCY})
"""Quantities that may be required at a flow or at a pressure; a pressure is always required at a flow."""

DIMENSIONS: dict[Quantity, Dimension] = {
    Quantity.FLOW: units.FLOW,
    Quantity.PRESSURE: units.PRESSURE,
    Quantity.PEAK_PRESSURE: units.PRESSURE,
    Quantity.CURRENT: units.CURRENT,
    Quantity.VOLTAGE: units.VOLTAGE,
    Quantity.POWER: units.POWER,
    Quantity.EFFICIENCY: units.SHARE,
    Quantity.SPEED: units.SPEED,
    Quantity.RESIDUAL_PRESSURE: units.PRESSURE,
    Quantity.FILL_TIME: units.TIME,
}
"""Dimension of each quantity."""

PRESSURES = (Quantity.PRESSURE, Quantity.PEAK_PRESSURE, Quantity.RESIDUAL_PRESSURE)

RESIDUAL = "residual"

AFTER = Range(1.0, 600.0, "what is waited for")
"""Seconds after power-off at which a residual pressure may be required: once a pump has run down, which takes some
tenths of a second, and as long as a bench may be kept waiting (common practice, no source)."""

READ_ONCE = (Quantity.PEAK_PRESSURE, Quantity.SPEED)
"""What no longer window makes more certain: the one is defined over a fixed time, the other found in a capture."""

WINDOWED = ("free_flow", "shutoff")
"""The stages that are read over windows as long as it takes."""


def stages(kind: Kind, dry_check: bool) -> tuple[str, ...]:
    """The stages that a requirement may name: those in which the unit runs, each once and without a number."""
    named = dict.fromkeys(name.partition(".")[0] for name in (*sequence(kind, dry_check, residual=True), RATED))
    return tuple(name for name in named if STAGES[name].reads or not STAGES[name].handled)


def judged_in(stage: str) -> tuple[Quantity, ...]:
    """The quantities that a stage gives a reading of."""
    return tuple(Quantity(name) for name in STAGES[stage].reads)


def spans(stand: Stand) -> dict[Quantity, Range]:
    """Where a stand can judge a limit. Above its own limit a run ends, so what lies there is never read."""
    channels, limits = stand.channels, stand.limits
    pressure = Range(
        channels.pressure.low, min(channels.pressure.high, limits.pressure), "the transducer and limits.pressure"
    )
    (first_hertz, first_k), (last_hertz, last_k) = channels.flow.k_table[0], channels.flow.k_table[-1]
    flow = Range(first_hertz / first_k, last_hertz / last_k, "the flowmeter's table")
    current = Range(0.0, min(channels.shunt.full_scale, limits.current), "the shunt and limits.current")
    voltage = Range(0.0, channels.voltage.full_scale, "the voltage input")
    return {
        Quantity.PRESSURE: pressure,
        Quantity.PEAK_PRESSURE: pressure,
        Quantity.FLOW: flow,
        Quantity.CURRENT: current,
        Quantity.VOLTAGE: voltage,
        Quantity.POWER: Range(0.0, voltage.high * current.high, "voltage and current"),
        Quantity.EFFICIENCY: Range(0.0, 1.0, "what is possible"),
        Quantity.SPEED: Range(0.0, float("inf"), "what is possible"),
        Quantity.RESIDUAL_PRESSURE: pressure,
        Quantity.FILL_TIME: Range(0.0, float("inf"), "what is possible"),
    }
