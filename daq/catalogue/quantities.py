"""What can be required of a part on a stand: dimensions, stages by kind, and the range that a stand can judge in."""

from dataclasses import dataclass

from daq.catalogue import units
from daq.catalogue.units import Dimension
from daq.judge.requirement import Quantity
from daq.procedure.plan import Kind, Stand
from daq.procedure.table import STAGES, sequence

DIMENSIONS: dict[Quantity, Dimension] = {
    Quantity.FLOW: units.FLOW,
    Quantity.PRESSURE: units.PRESSURE,
    Quantity.PEAK_PRESSURE: units.PRESSURE,
    Quantity.CURRENT: units.CURRENT,
    Quantity.VOLTAGE: units.VOLTAGE,
    Quantity.POWER: units.POWER,
    Quantity.FILL_TIME: units.TIME,
}
"""Dimension of each quantity that a stage may read."""

PRESSURES = (Quantity.PRESSURE, Quantity.PEAK_PRESSURE)

MEASURED = tuple(q for q in DIMENSIONS if any(q in stage.reads for stage in STAGES.values()))
"""The quantities that some stage reads; a requirement on another would never have a finding but void."""


@dataclass(frozen=True, slots=True)
class Range:
    """From `low` to `high` in SI, both judged; `end` says what ends it."""

    low: float
    high: float
    end: str


def stages(kind: Kind, dry_check: bool) -> tuple[str, ...]:
    """The stages that a requirement may name: those in which the unit runs, each once and without a number."""
    named = dict.fromkeys(name.partition(".")[0] for name in sequence(kind, dry_check))
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
        Quantity.FILL_TIME: Range(0.0, float("inf"), ""),
    }
