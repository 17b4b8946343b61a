"""One line of text as a scan: its fields as numbers, and whether it can follow the scan before."""

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass

from drivers.text_lines_header import TICK_HZ, Layout

WRAPS = (1 << 32, 1000 << 32)
"""Ticks after which a board's time begins anew without a restart: 32 bits of microseconds, of milliseconds."""
WRAPPED_WITHIN = TICK_HZ
"""A time that comes from so near before such an end, in ticks, has wrapped."""
COUNT_WRAPS = (1 << 16, 1 << 32)
FASTEST_HZ, SLACK_EDGES = 20_000, 16
"""A count that wrapped is no further on than this pulse rate takes it. No flowmeter is as fast."""
MOST = 1e12
"""Above this a field is no measured value in any unit, and a time or count beyond what a board can keep."""

_NUMBER = re.compile(r"[+-]?(?:\d+\.?(?P<after>\d*)|\.(?P<bare>\d+))(?:[eE](?P<power>[+-]?\d{1,2}))?", re.ASCII)
_NOTHING = frozenset({"", "nan", "inf", "ovf", "-", "--"})
"""What boards print where a sensor gives nothing."""


@dataclass(frozen=True, slots=True)
class Row:
    """A line's numbers: `tick` by the board's own time, `values` in the columns' units (NaN: not valid), the edge
    counter and its newest edge in ticks as printed (−1: none), and by column the unit of the last digit."""

    tick: int
    values: tuple[float, ...]
    edges: int
    last_edge: int
    digits: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Place:
    """Where counting stands after a scan. `tick`, `edges` and `last_edge` (−1: none yet) are unwrapped, `index` numbers
    the scan; `raw` and `raw_edges` are as printed."""

    tick: int
    index: int
    edges: int
    last_edge: int
    raw: int
    raw_edges: int


def row_of(line: str, layout: Layout) -> Row | None:
    """The numbers of a line; None where it is no scan: another number of fields, no number where one must be."""
    fields = layout.split(line)
    if len(fields) != layout.fields:
        return None
    time = _number(fields[layout.time])
    read = [_value(fields[column.place]) for column in layout.analog]
    counted = _counted(fields, layout)
    if time is None or not 0.0 <= time < MOST or counted is None or None in read:
        return None
    values, digits = zip(*(pair for pair in read if pair is not None), strict=True)
    return Row(round(time * layout.ticks), values, *counted, digits)


def _counted(fields: Sequence[str], layout: Layout) -> tuple[int, int] | None:
    if layout.pulse is None:
        return 0, -1
    at, newest, ticks = layout.pulse
    edges = _number(fields[at])
    if edges is None or not 0.0 <= edges < MOST or edges != int(edges):
        return None
    last = _number(fields[newest])
    if last is not None and 0.0 <= last < MOST:
        return int(edges), round(last * ticks)
    return (0, -1) if edges == 0.0 else None


def _number(text: str) -> float | None:
    return float(text) if _NUMBER.fullmatch(text) else None


def _value(text: str) -> tuple[float, float] | None:
    """A quantity and the unit of its last digit; NaN for one that is not valid, None for what is no field at all."""
    if text.casefold().lstrip("+-") in _NOTHING:
        return math.nan, 1.0
    found = _NUMBER.fullmatch(text)
    if found is None:
        return None
    value = float(text)
    places = len(found["after"] or found["bare"] or "") - int(found["power"] or 0)
    return (value if abs(value) < MOST else math.nan), float(f"1e{-places}")


def first_place(row: Row, slack: int) -> Place:
    """Where counting stands after the first scan since a board began; `slack` as for `newest_edge`."""
    last = -1 if row.edges == 0 else max(-1, row.tick - _since(row, row.tick, slack))
    return Place(row.tick, 0, row.edges, last, row.tick, row.edges)


def _since(row: Row, tick: int, slack: int) -> int:
    """Ticks from the newest edge to the scan. A microsecond counter wraps after 71 minutes; an edge that was noted a
    moment after the time is a little younger than the scan."""
    since = (tick - row.last_edge) % WRAPS[0]
    return since - WRAPS[0] if since >= WRAPS[0] - slack else since


def passed(before: Place, row: Row) -> int | None:
    """Ticks from the scan before to this one; None where the board's time ran backwards, which is a restart."""
    on = row.tick - before.raw
    if on >= 0:
        return on
    return next((on + wrap for wrap in WRAPS if 0 < on + wrap <= WRAPPED_WITHIN), None)


def counted_on(before: Place, row: Row, on: int) -> int | None:
    """Edges since the scan before; None where the counter ran backwards, which is a restart."""
    more = row.edges - before.raw_edges
    if more >= 0:
        return more
    most = SLACK_EDGES + FASTEST_HZ * on // TICK_HZ
    return next((more + wrap for wrap in COUNT_WRAPS if before.raw_edges < wrap and 0 < more + wrap <= most), None)


def newest_edge(before: Place, row: Row, tick: int, slack: int) -> int | None:
    """The newest edge where some came since the scan before, unwrapped; None where it lies, by more than `slack` ticks,
    outside the time between the two scans, or does not follow the edge before: then it is of another clock."""
    last = tick - _since(row, tick, slack)
    return last if row.last_edge >= 0 and last > max(before.last_edge, before.tick - slack) else None
