"""What can be required of a part on a stand: dimensions, stages by kind, and the range that a stand can judge in."""

from dataclasses import dataclass

from daq.catalogue import units
from daq.catalogue.units import Dimension
from daq.judge.requirement import Quantity
from daq.procedure.plan import Kind, Stand

DIMENSIONS: dict[Quantity, Dimension] = {
    Quantity.FLOW: units.FLOW,
    Quantity.PRESSURE: units.PRESSURE,
    Quantity.PEAK_PRESSURE: units.PRESSURE,
    Quantity.CURRENT: units.CURRENT,
    Quantity.VOLTAGE: units.VOLTAGE,
    Quantity.POWER: units.POWER,
    Quantity.EFFICIENCY: units.SHARE,
    Quantity.FILL_TIME: units.TIME,
}
"""Dimension of each quantity that this version measures; the others are refused."""

PRESSURES = (Quantity.PRESSURE, Quantity.PEAK_PRESSURE)

STAGES: dict[Kind, tuple[str, ...]] = {
    Kind.PUMP: ("dry_check", "free_flow", "throttle", "shutoff", "reopen"),
    Kind.MODULE: ("shutoff", "fill", "reopen", "free_flow", "throttle"),
    Kind.MODULE_RETURN: ("shutoff", "fill", "reopen", "free_flow", "throttle"),
}
"""Stages of each kind; a module has `dry_check` besides where the part asks for it."""

ONLY_IN: dict[Quantity, str] = {Quantity.PEAK_PRESSURE: "shutoff", Quantity.FILL_TIME: "fill"}
"""Quantities that one stage alone gives."""

ONLY_GIVES: dict[str, tuple[Quantity, ...]] = {
    "dry_check": (Quantity.CURRENT, Quantity.VOLTAGE),
    "fill": (Quantity.FILL_TIME,),
}
"""Stages without a steady reading, and what they give all the same."""


@dataclass(frozen=True, slots=True)
class Range:
    """From `low` to `high` in SI, both judged; `end` says what ends it."""

    low: float
    high: float
    end: str


def stages(kind: Kind, dry_check: bool) -> tuple[str, ...]:
    """The stages that a requirement may name."""
    named = STAGES[kind]
    return named if "dry_check" in named or not dry_check else ("dry_check", *named)


def judged_in(stage: str) -> tuple[Quantity, ...]:
    """The quantities that a stage gives a reading of."""
    given = ONLY_GIVES.get(stage, tuple(DIMENSIONS))
    return tuple(q for q in given if ONLY_IN.get(q, stage) == stage)


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
        Quantity.EFFICIENCY: Range(0.0, 1.0, "what a pump can be"),
        Quantity.FILL_TIME: Range(0.0, float("inf"), ""),
    }
