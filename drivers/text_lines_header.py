"""The header of text lines: names with units, and what the fields of a line below it mean."""

import re
from dataclasses import dataclass, field

from drivers.block import Role

TICK_HZ = 1_000_000
"""Ticks a second of a device that prints its time."""

Units = dict[str, tuple[float, float]]
"""SI = factor × value + offset, by unit."""

_LITRE = 1e-3
ANALOG: dict[str, tuple[Role, Units]] = {
    "pressure": (
        Role.PRESSURE,
        {
            "Pa": (1.0, 0.0),
            "hPa": (1e2, 0.0),
            "mbar": (1e2, 0.0),
            "kPa": (1e3, 0.0),
            "bar": (1e5, 0.0),
            "MPa": (1e6, 0.0),
            "psi": (6894.757293168, 0.0),  # 0.45359237 kg × 9.80665 m/s² / (0.0254 m)²
        },
    ),
    "voltage": (Role.SUPPLY_VOLTAGE, {"V": (1.0, 0.0), "mV": (1e-3, 0.0)}),
    "current": (Role.SHUNT, {"A": (1.0, 0.0), "mA": (1e-3, 0.0)}),
    "temperature": (
        Role.FLUID_TEMPERATURE,
        {
            "degC": (1.0, 273.15),
            "°C": (1.0, 273.15),
            "C": (1.0, 273.15),
            "K": (1.0, 0.0),
            "degF": (5 / 9, 459.67 * 5 / 9),
            "°F": (5 / 9, 459.67 * 5 / 9),
        },
    ),
    "level": (Role.LEVEL, {"1": (1.0, 0.0), "%": (0.01, 0.0)}),
    "flow": (
        Role.FLOW,
        {
            "m3/s": (1.0, 0.0),
            "m3/h": (1 / 3600, 0.0),
            "L/s": (_LITRE, 0.0),
            "L/min": (_LITRE / 60, 0.0),
            "L/h": (_LITRE / 3600, 0.0),
            "l/s": (_LITRE, 0.0),
            "l/min": (_LITRE / 60, 0.0),
            "l/h": (_LITRE / 3600, 0.0),
            "mL/s": (1e-3 * _LITRE, 0.0),
            "mL/min": (1e-3 * _LITRE / 60, 0.0),
            "ml/s": (1e-3 * _LITRE, 0.0),
            "ml/min": (1e-3 * _LITRE / 60, 0.0),
        },
    ),
}
"""What a column may be called, what it then is to a stand, and its units. Gauge or absolute is never part of one."""

TIMES: Units = {"s": (1e6, 0.0), "ms": (1e3, 0.0), "us": (1.0, 0.0), "µs": (1.0, 0.0)}
"""Ticks = factor × value, of `time` and `last_edge`."""

TIME, EDGES, LAST_EDGE = "time", "edges", "last_edge"
EXAMPLE = "time [s], pressure [kPa], voltage [V], current [A], temperature [degC], edges, last_edge [us]"

_HEAD = re.compile(r"(?P<name>[A-Za-z]\w*)\s*(?:[\[(]\s*(?P<unit>[^\])]*?)\s*[\])])?")
_BLANKS_APART = re.compile(r"[^\s\[(]+(?:\s*[\[(][^\])]*[\])])?")


class HeaderError(ValueError):
    """A header that cannot be used; the text names the column, what is expected, what was found, and what to do."""


@dataclass(frozen=True, slots=True)
class Analog:
    """A column that holds a quantity: SI = factor × field + offset."""

    place: int
    role: Role
    factor: float
    offset: float


@dataclass(frozen=True, slots=True)
class Layout:
    """What the fields of a line are. `separator` is None for blanks; `ticks` is how many a unit of time has; `pulse`
    holds the places of edge count and newest edge and the ticks of the latter's unit, None where there are none."""

    text: str = field(compare=False)
    separator: str | None
    fields: int
    time: int
    ticks: float
    analog: tuple[Analog, ...]
    pulse: tuple[int, int, float] | None

    def split(self, line: str) -> list[str]:
        """The fields of a line, however many there are."""
        return [part.strip() for part in line.split(self.separator)]


@dataclass(frozen=True, slots=True)
class _Head:
    place: int
    name: str
    unit: str | None

    @property
    def shown(self) -> str:
        return self.name if self.unit is None else f"{self.name} [{self.unit}]"


def is_header(line: str) -> bool:
    """Whether a line means to be a header: one of its columns is called `time`. Whether it can be used is another
    question."""
    return any(head.name == TIME for head in _heads(line))


def read_header(line: str) -> Layout:
    """What a header says. Columns of other names are passed over; where edges are counted, so is `flow`.

    Raises:
        HeaderError: a column has no unit or one that nobody knows, is there twice, or something needed is missing.
    """
    heads = _heads(line)
    known = [h for h in heads if h.name in ANALOG or h.name in (TIME, EDGES, LAST_EDGE)]
    named = {h.name: h for h in known}
    twice = next((h for h in known if named[h.name] is not h), None)
    if twice is not None:
        raise HeaderError(f"column {twice.shown}: expected one of this name, found two; rename one of them")
    if TIME not in named:
        raise HeaderError(f"expected a column time [s], time [ms] or time [us], found {_list(heads)}; print one")
    pulse = _pulse(named)
    columns = [h for h in known if h.name in ANALOG and not (h.name == "flow" and pulse)]
    if not columns:
        raise HeaderError(f"expected quantities such as pressure [kPa], found {_list(heads)}; print their columns")
    analog = tuple(Analog(h.place, ANALOG[h.name][0], *_unit(h, ANALOG[h.name][1])) for h in columns)
    ticks = _unit(named[TIME], TIMES)[0]
    return Layout(line, _separator(line), len(heads), named[TIME].place, ticks, analog, pulse)


def _separator(line: str) -> str | None:
    return next((mark for mark in "\t;," if mark in line), None)


def _heads(line: str) -> list[_Head]:
    separator = _separator(line)
    parts = _BLANKS_APART.findall(line) if separator is None else line.split(separator)
    return [_head(place, part.strip()) for place, part in enumerate(parts)]


def _head(place: int, text: str) -> _Head:
    """`pressure [kPa]`, `pressure(kPa)` and `pressure_kPa` are the same."""
    found = _HEAD.fullmatch(text)
    if found is None:
        return _Head(place, text, None)
    name, unit = found["name"], found["unit"]
    for known in (TIME, LAST_EDGE, *ANALOG):
        rest = name[len(known) + 1 :]
        # `flow_set_point` is something else, while `flow_lph` misses a unit that is known
        if unit is None and name.casefold().startswith(f"{known}_") and "_" not in rest:
            return _Head(place, known, rest)
    folded = name.casefold()
    return _Head(place, folded if folded in (TIME, EDGES, LAST_EDGE, *ANALOG) else name, unit)


def _unit(head: _Head, units: Units) -> tuple[float, float]:
    unit = "1" if head.unit is None and head.name == "level" else head.unit
    if unit is None or unit not in units:
        found = "none" if head.unit is None else repr(head.unit)
        raise HeaderError(
            f"column {head.shown}: expected a unit out of {', '.join(units)}, found {found}; print {head.name} "
            f"[{next(iter(units))}] and its like"
        )
    return units[unit]


def _pulse(named: dict[str, _Head]) -> tuple[int, int, float] | None:
    edges, newest = named.get(EDGES), named.get(LAST_EDGE)
    if edges is None and newest is None:
        return None
    if edges is None or newest is None:
        found = EDGES if newest is None else newest.shown
        raise HeaderError(
            f"column {found}: expected edges and last_edge [us] together, found one of them; print the count since "
            "start and the time of the newest edge, by the clock of the time column"
        )
    return edges.place, newest.place, _unit(newest, TIMES)[0]


def _list(heads: list[_Head]) -> str:
    return ", ".join(h.shown for h in heads) or "nothing"
