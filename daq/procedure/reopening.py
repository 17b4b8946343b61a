"""The reopen check: free flow is read before and after shutoff, and both readings should agree.

They share a meter, so its systematic errors hardly count between them: a difference that the uncertainty of the mean
alone would hide shows here. It judges nothing; it says whether one may trust that the unit was the same all through.
"""

import math
from collections.abc import Mapping

from daq.measure.agreement import agreement
from daq.measure.reading import Reading
from daq.procedure.effects import Noted

Pair = tuple[Reading | None, Reading | None]

_SHOWN = {"flow": ("L/h", 3.6e6), "pressure": ("kPa", 1e-3), "voltage": ("V", 1.0), "current": ("A", 1.0)}
_REASONS = {
    "voltage": "the supply changed",
    "current": "the unit's current changed: its load or its winding did",
}
_OWN = "nothing else changed: air, dirt, or a unit that warms up (common practice, no source)"


def reopen_check(pairs: Mapping[str, Pair], t: float) -> list[Noted]:
    """The note on two free flows; none where one of them was not read. `pairs` are first and second readings by
    quantity."""
    first, second = pairs["flow"]
    if first is None or second is None:
        return []
    if first.is_interval or second.is_interval:
        return [] if first.is_interval == second.is_interval else [Noted(t, "reopen check", "flow was read only once")]
    found = agreement(first, second)
    if found.agrees:
        return [Noted(t, "reopen check", f"agrees: {_difference('flow', first, second)}")]
    others = ["the valve is not where it was"] if _valve_moved(pairs["flow"], pairs["pressure"]) else []
    others += [_REASONS[q] + f" ({_difference(q, *pair)})" for q in _REASONS if (pair := _differing(pairs[q]))]
    return [Noted(t, "reopen check", f"differs: {_difference('flow', first, second)}; {'; '.join(others) or _OWN}")]


def _valve_moved(flow: Pair, pressure: Pair) -> bool:
    """Whether the open line takes another pressure than the square of its flow explains."""
    (q1, q2), (p1, p2) = flow, pressure
    if q1 is None or q2 is None or p1 is None or p2 is None:
        return False
    by_flow = p1.value * ((q2.value / q1.value) ** 2 - 1.0)
    found = agreement(p1, p2)
    return abs(found.difference - by_flow) > math.hypot(
        found.combined.U, 2.0 * p1.value / q1.value * agreement(q1, q2).combined.U
    )


def _differing(pair: Pair) -> tuple[Reading, Reading] | None:
    first, second = pair
    if first is None or second is None or agreement(first, second).agrees:
        return None
    return first, second


def _difference(quantity: str, first: Reading, second: Reading) -> str:
    unit, factor = _SHOWN[quantity]
    found = agreement(first, second)
    return f"{found.difference * factor:+.2f} ± {found.combined.U * factor:.2f} {unit}"
