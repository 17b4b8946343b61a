"""Reads a recording of a stand, a CSV with a name and a unit at the head of each column, into SI."""

import csv
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from math import isfinite
from pathlib import Path

from simulator.errors import RecordingError

UNITS: dict[str, dict[str, tuple[float, float]]] = {
    "t": {"s": (1.0, 0.0), "ms": (1e-3, 0.0)},
    "pressure": {
        "pa": (1.0, 0.0), "kpa": (1e3, 0.0), "mpa": (1e6, 0.0), "mbar": (100.0, 0.0), "bar": (1e5, 0.0),
    },
    "flow": {
        "m3_s": (1.0, 0.0), "m3_h": (1 / 3600, 0.0), "l_h": (1e-3 / 3600, 0.0), "lph": (1e-3 / 3600, 0.0),
        "l_min": (1e-3 / 60, 0.0), "lpm": (1e-3 / 60, 0.0), "ml_min": (1e-6 / 60, 0.0), "l_s": (1e-3, 0.0),
        "ml_s": (1e-6, 0.0),
    },
    "current": {"a": (1.0, 0.0), "ma": (1e-3, 0.0)},
    "voltage": {"v": (1.0, 0.0), "mv": (1e-3, 0.0)},
    "temperature": {"c": (1.0, 273.15), "degc": (1.0, 273.15), "k": (1.0, 0.0)},
    "level": {"share": (1.0, 0.0), "percent": (0.01, 0.0)},
}  # fmt: skip
"""SI = factor × value + offset, by quantity and unit, as they stand in the head of a column such as `pressure_kpa`."""

WORD = 3
"""`flow_goal_lpm` is another quantity than `flow`: a first word of so many letters behind it makes it one."""


@dataclass(frozen=True, slots=True)
class Recording:
    """What was recorded, row by row, in SI. `times` rise and start at 0; `columns` holds as many values a quantity.

    A quantity that was never measured is not in `columns`.
    """

    path: Path
    times: list[float]
    columns: dict[str, list[float]]

    @property
    def duration(self) -> float:
        """Seconds from the first row to the end of the last one, which is held for the median time of a row."""
        rows = sorted(b - a for a, b in zip(self.times, self.times[1:], strict=False))
        return self.times[-1] + rows[len(rows) // 2]


def read_recording(path: Path) -> Recording:
    """The recording in a file.

    An empty cell holds what the row before said, and a column without a single value is a channel that was not fitted.
    Columns of other names are passed over.

    Raises:
        RecordingError: no such file, an unknown unit of a known quantity, a row that makes no sense. The text names
            file, line and column, what is expected, and what was found.
    """
    try:
        with path.open(newline="", encoding="utf-8-sig") as file:
            return _read(path, csv.reader(file))
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise RecordingError(f"{path}: expected a recording as CSV in UTF-8, found: {error}") from error


def _read(path: Path, lines: Iterator[list[str]]) -> Recording:
    heads = [head.strip().lower() for head in next(lines, [])]
    read = _columns(path, heads)
    times: list[float] = []
    columns: dict[str, list[float]] = {quantity: [] for quantity in read if quantity != "t"}
    late: dict[str, int] = {}
    for number, row in enumerate(lines, start=2):
        if not row:
            continue
        place = f"{path}, line {number}"
        if len(row) != len(heads):
            raise RecordingError(f"{place}: expected {len(heads)} cells, as in line 1, found {len(row)}; mend it")
        times.append(_time(place, row[read["t"][0]], read["t"], times))
        for quantity, values in columns.items():
            value = _cell(f"{place}, {heads[read[quantity][0]]}", row[read[quantity][0]], read[quantity])
            if value is not None:
                values.append(value)
            elif values:
                values.append(values[-1])
            else:
                late[quantity] = number
    fitted = {quantity: values for quantity, values in columns.items() if values}
    _check(path, times, fitted, late)
    return Recording(path, [t - times[0] for t in times], fitted)


Column = tuple[int, float, float]
"""Where a column stands, and the factor and offset of its unit."""


def _columns(path: Path, heads: Sequence[str]) -> dict[str, Column]:
    found: dict[str, Column] = {}
    for place, head in enumerate(heads):
        quantity, _, unit = head.partition("_")
        known = UNITS.get(quantity)
        if known is None or (unit not in known and _another(unit)):
            continue
        if unit not in known:
            raise RecordingError(
                f"{path}, column {head!r}: expected {_either(f'{quantity}_{u}' for u in known)}; "
                "give the column a unit that is known"
            )
        if quantity in found:
            raise RecordingError(
                f"{path}, column {head!r}: expected one column of {quantity}, found {heads[found[quantity][0]]!r} too; "
                "give one of them another name"
            )
        found[quantity] = (place, *known[unit])
    if "t" not in found:
        raise RecordingError(f"{path}, line 1: expected a column t_s or t_ms, found {', '.join(heads) or 'nothing'}")
    return found


def _another(unit: str) -> bool:
    word, more, _ = unit.partition("_")
    return bool(more) and len(word) >= WORD and word.isalpha()


def _cell(place: str, cell: str, column: Column) -> float | None:
    if not cell.strip():
        return None
    try:
        value = float(cell)
    except ValueError:
        value = float("nan")
    if not isfinite(value):
        raise RecordingError(f"{place}: expected a number or nothing, found {cell!r}; correct the row or take it out")
    return value * column[1] + column[2]


def _time(place: str, cell: str, column: Column, times: Sequence[float]) -> float:
    value = _cell(place, cell, column)
    if value is None or (times and value <= times[-1]):
        expected = f"a time later than {times[-1]:g} s" if times else "a time"
        raise RecordingError(f"{place}: expected {expected}, found {cell!r}; correct the row or take it out")
    return value


def _check(path: Path, times: Sequence[float], fitted: dict[str, list[float]], late: dict[str, int]) -> None:
    if len(times) < 2:
        raise RecordingError(f"{path}: expected two rows or more, found {len(times)}; give another recording")
    if not fitted:
        raise RecordingError(f"{path}: expected a column such as pressure_kpa with values in it, found none")
    for quantity in fitted:
        if quantity in late:
            raise RecordingError(
                f"{path}, line {late[quantity]}: expected a first value of {quantity}, found nothing to hold; "
                "fill it in, or take the rows out that have none"
            )


def _either(names: Iterable[str]) -> str:
    *most, last = names
    return f"{', '.join(most)} or {last}"
