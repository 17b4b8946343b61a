"""The uncertainty budget of a reading, line by line, as it is kept with a run."""

import math
from typing import Any

from daq.judge.shown import UNITS
from daq.measure.reading import Reading
from daq.measure.uncertainty import Component, Shape
from daq.publish import contract as c
from daq.stand.result import tidy

_ABOUT = {
    "share": ("1", 1.0),
    "kelvin": ("K", 1.0),
    "second": ("s", 1.0),
    "decay": ("kPa/s", 1e-3),
    "hose": ("Pa.s2/m6", 1.0),
}
"""Units of what a doubt may be stated of and no reading is."""

_DISTRIBUTION = {Shape.NORMAL: "normal", Shape.RECTANGULAR: "rectangular", Shape.STUDENT: "t"}

KEPT = ("scatter", "history")
"""How channels scattered, which only later runs and auditors look at."""

_ROUNDING = 1e-9
"""A line this small a part of the largest is what rounding left of one that cancels."""


def budget_of(reading: Reading) -> list[dict[str, Any]]:
    """One line for each source, the largest first; none for an interval.

    `u` = `stated` ÷ `divisor` × |`sensitivity`| is in the reading's unit, `stated` in `unit`; `dof` is null where it is
    infinite. `widen` multiplies the line's share in U where several looks might have ended the reading. A scatter has
    `values`, the independent ones that they are `worth`, the lag-1 autocorrelation `phi` that would make them so, and
    the number of `looks` that might have ended it. Pooled with what was known before, it also has the degrees of
    freedom of that (`known_dof`) and the number of earlier `runs` in it.
    """
    unit, factor = UNITS[reading.quantity]
    lines = sorted(reading.combined.components, key=lambda c: -c.standard)
    return [_line(c, unit, factor) for c in lines if c.standard > _ROUNDING * lines[0].standard]


def as_sent(stored: dict[str, Any]) -> c.ResultData:
    """A stored result as it was sent: its budgets are kept for an auditor, and are no part of the message."""
    readings = [{key: value for key, value in item.items() if key != "budget"} for item in stored["readings"]]
    sent = {key: value for key, value in stored.items() if key not in KEPT}
    return c.ResultData.model_validate(sent | {"readings": readings})


def _line(c: Component, unit: str, factor: float) -> dict[str, Any]:
    of, of_factor = _ABOUT.get(c.about) or UNITS.get(c.about) or (unit, factor)
    return {
        "source": c.source,
        "stated": tidy(c.stated * of_factor),
        "unit": of,
        "distribution": _DISTRIBUTION[c.shape],
        "divisor": tidy(c.divisor),
        "sensitivity": tidy(c.sensitivity * factor / of_factor),
        "u": tidy(c.standard * factor),
        "dof": tidy(c.dof) if math.isfinite(c.dof) else None,
        "widen": tidy(c.widen),
        **(_of_values(c) if c.values else {}),
    }


def _of_values(c: Component) -> dict[str, Any]:
    phi = (c.values - c.worth) / (c.values + c.worth)
    said: dict[str, Any] = {"values": c.values, "worth": tidy(c.worth), "phi": tidy(phi), "looks": c.looks}
    if c.pooled:
        said |= {"known_dof": tidy(sum(k.dof for k in c.pooled)), "runs": max(k.runs for k in c.pooled)}
    return said
