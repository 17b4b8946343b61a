"""What many runs of one part say of its units and of the measuring: scatter, capability, chart, gauge study.

Values are taken as independent and normal, in order of time; whoever reads the figures must know whether that holds.
"""

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from daq.study.capability import Capability, capability, deviation
from daq.study.errors import StudyError
from daq.study.gauge import LEVELS, POOL_ABOVE, Gauge, gauge
from daq.study.history import Sample, Series
from daq.study.shewhart import LARGEST, Chart, chart

FEWEST_UNITS = 10
"""Below it a standard deviation is doubtful by more than 24 % (JCGM 100:2008, Table E.1): no capability, no chart."""
FEWEST_IN_GAUGE = 5
"""Units in a gauge study; ten units, three operators and three tests of each are the custom (no source)."""


@dataclass(frozen=True, slots=True)
class Repeated:
    """How far repeated runs of the same unit differ: pooled standard deviation and its degrees of freedom."""

    s: float
    dof: int


@dataclass(frozen=True, slots=True)
class Crossed:
    """A gauge study: who and what was in it, and what came out."""

    operators: tuple[str, ...]
    serials: tuple[str, ...]
    trials: int
    gauge: Gauge


@dataclass(frozen=True, slots=True)
class Line:
    """What a series says. `units` counts one value each. `missing` says why a figure is None, by the figure's name."""

    series: Series
    units: int
    mean: float | None
    s: float | None
    repeated: Repeated | None
    capability: Capability | None
    chart: Chart | None
    outside: tuple[str, ...]
    crossed: Crossed | None
    missing: dict[str, str]


def study(series: Sequence[Series], group: int = 1, pool_above: float = POOL_ABOVE) -> list[Line]:
    """A line for each series. `group` units in a row make one point of the chart; above the level `pool_above` a gauge
    study pools what operators and units do together.

    Raises:
        StudyError: nothing was read for any requirement, a group is too large, or the level is none that is in use.
    """
    if pool_above not in LEVELS:
        known = " or ".join(map(str, LEVELS))
        raise StudyError(f"a gauge study pools the interaction above a level of {known}, got {pool_above:g}")
    if not 1 <= group <= LARGEST:
        raise StudyError(f"a point of a chart stands for 1 … {LARGEST} units, got {group}; name another group")
    if not any(one.samples for one in series):
        raise StudyError("expected runs with readings, found none that counts; test some units first")
    return [_line(one, group, pool_above) for one in series]


def repeated(samples: Sequence[Sample]) -> Repeated | None:
    """The scatter of runs of the same unit, pooled over units; None where no unit was tested twice."""
    by_unit: dict[str, list[float]] = {}
    for sample in samples:
        by_unit.setdefault(sample.serial, []).append(sample.value)
    several = [np.array(values) for values in by_unit.values() if len(values) > 1]
    dof = sum(values.size - 1 for values in several)
    if not dof:
        return None
    return Repeated(math.sqrt(sum(float(((v - v.mean()) ** 2).sum()) for v in several) / dof), dof)


def crossed(samples: Sequence[Sample], pool_above: float = POOL_ABOVE) -> Crossed | None:
    """The largest study in which each operator tested each unit equally often, at least twice; None where there is
    none of two operators and five units. Of more runs than needed the first ones count."""
    cells: dict[tuple[str, str], list[float]] = {}
    for sample in samples:
        if sample.operator:
            cells.setdefault((sample.operator, sample.serial), []).append(sample.value)
    full = {cell: values for cell, values in cells.items() if len(values) > 1}
    busiest = [operator for operator, _ in Counter(operator for operator, _ in full).most_common()]
    for count in range(len(busiest), 1, -1):
        operators = sorted(busiest[:count])
        serials = sorted({s for _, s in full if all((o, s) in full for o in operators)})
        if len(serials) >= FEWEST_IN_GAUGE:
            return _crossed(full, operators, serials, pool_above)
    return None


def _crossed(
    full: dict[tuple[str, str], list[float]], operators: list[str], serials: list[str], pool_above: float
) -> Crossed:
    trials = min(len(full[o, s]) for o in operators for s in serials)
    values = np.array([[full[o, s][:trials] for o in operators] for s in serials])
    return Crossed(tuple(operators), tuple(serials), trials, gauge(values, pool_above))


def _line(series: Series, group: int, pool_above: float) -> Line:
    first = series.first_of_each_unit
    values = np.array([sample.value for sample in first])
    missing: dict[str, str] = {}
    able, drawn = None, None
    few = f"needs {FEWEST_UNITS} units, found {len(first)}"
    if len(first) < FEWEST_UNITS:
        missing["capability"] = missing["chart"] = few
    else:
        able = capability(values, series.at_least, series.at_most)
        if able is None:
            missing["capability"] = "all values are equal"
        if len(first) >= 2 * group:
            drawn = chart(values, group)
        else:
            missing["chart"] = f"needs two groups of {group} units, found {len(first)} units"
    again, gauged = repeated(series.samples), crossed(series.samples, pool_above)
    if again is None:
        missing["repeated"] = "no unit was tested twice"
    if gauged is None:
        missing["gauge"] = f"needs 2 named operators who each tested the same {FEWEST_IN_GAUGE} units twice"
    return Line(
        series,
        len(first),
        float(values.mean()) if values.size else None,
        deviation(values) if values.size > 1 else None,
        again,
        able,
        drawn,
        _outside(first, drawn),
        gauged,
        missing,
    )


def _outside(samples: Sequence[Sample], drawn: Chart | None) -> tuple[str, ...]:
    """The runs whose points lie outside of the chart's limits."""
    if drawn is None:
        return ()
    return tuple(s.run for k in drawn.outside for s in samples[k * drawn.group : (k + 1) * drawn.group])
