"""A stored run as rows for people and lines for tables; what it says is the `data` of the results contract."""

import csv
import io
import json
import math
from collections.abc import Iterable, Iterator
from typing import Any

from daq.record.values import StoredRun

Data = dict[str, Any]

FINDING_HEAD = ("requirement", "stage", "at least", "at most", "reading", "±U", "finding")
READING_HEAD = ("stage", "quantity", "value", "±U", "k", "flags")
HINT_HEAD = ("hint", "", "what may be behind it; it decides nothing")

_RUN_COLUMNS = (
    *("run", "seq", "site", "stand", "part", "part_revision", "kind", "serial", "attempt", "order", "operator"),
    *("started", "ended", "verdict", "why", "sim"),
)
_FINDING_COLUMNS = ("requirement", "quantity", "stage", "mode", "guard", "finding", "p_conform")
_LIMIT_COLUMNS = ("at_least", "at_most")
_READING_COLUMNS = ("value", "unit", "reference", "u", "U", "k", "dof", "n_effective")
CSV_COLUMNS = (*_RUN_COLUMNS, *_FINDING_COLUMNS, *_LIMIT_COLUMNS, *_READING_COLUMNS)
"""One line a finding. Limits and reading share the column `unit`."""

FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")
"""What a text that spreadsheets calculate begins with, in both widths (common practice, no source)."""


def facts(stored: StoredRun) -> list[tuple[str, object]]:
    """What was tested, when, and how it ended."""
    data = stored.data
    serial = data["serial"] if data["serial_given"] else f"{data['serial']} (assigned)"
    verdict = data["verdict"] or "under way"
    return [
        ("run", data["run"]),
        ("seq", data["seq"]),
        ("verdict", f"{verdict}: {data['why']}" if data["why"] else verdict),
        ("stand", f"{data['site']}/{data['stand']}, {data['mode']}"),
        ("part", f"{data['part']} revision {data['part_revision']} ({data['kind']})"),
        ("serial", f"{serial}, attempt {data['attempt']}"),
        ("started", data["started"]),
        ("ended", data["ended"]),
        ("source", f"{stored.source}{' (simulated)' if data['sim'] else ''}"),
        ("trace", _file(data.get("trace"))),
        ("recording", _file(data.get("recording"))),
    ]


def finding_rows(data: Data) -> Iterator[tuple[object, ...]]:
    """A row by `FINDING_HEAD` for each finding."""
    for finding, reading in _with_readings(data):
        limits = (quantity_text(finding[key]) for key in _LIMIT_COLUMNS)
        value, expanded = value_text(reading)
        yield (
            *(finding[k] for k in ("requirement", "stage")),
            *limits,
            value,
            expanded,
            finding["finding"],
        )


def reading_rows(data: Data) -> Iterator[tuple[object, ...]]:
    """A row by `READING_HEAD` for each reading."""
    for reading in data["readings"]:
        flags = " ".join(str(flag) for flag in reading["flags"] or ())
        yield (*(reading[k] for k in ("stage", "quantity")), *value_text(reading), _short(reading["k"]), flags)


def hint_rows(data: Data) -> Iterator[tuple[object, ...]]:
    """Rows by `HINT_HEAD`: of each hint its cause, what it rests on, and what speaks for it and against it."""
    for hint in data["hints"] or ():
        name = f"hint {hint['rank']}"
        yield name, "cause", f"{hint['cause']} ({hint['basis']})"
        for side in ("for", "against"):
            yield from ((name, side, said) for said in hint[side])


def as_json(runs: Iterable[Data]) -> str:
    """An array of runs, each on a line of its own."""
    lines = (json.dumps(data, ensure_ascii=False, allow_nan=False) for data in runs)
    return "[" + ",\n ".join(lines) + "]\n"


def as_csv(runs: Iterable[Data]) -> str:
    """One line a finding (RFC 4180, with a head); a run without findings has one line all the same. A text that a
    spreadsheet would take for a formula has an apostrophe in front."""
    text = io.StringIO()
    writer = csv.DictWriter(text, CSV_COLUMNS, extrasaction="ignore", restval="")
    writer.writeheader()
    for data in runs:
        run = {key: data.get(key) for key in _RUN_COLUMNS}
        for finding, reading in list(_with_readings(data)) or [({}, None)]:
            limits = {key: (finding.get(key) or {}).get("value") for key in _LIMIT_COLUMNS}
            unit = {"unit": next((finding[k]["unit"] for k in _LIMIT_COLUMNS if finding.get(k)), None)}
            measured = {key: reading.get(key) for key in _READING_COLUMNS} if reading else {}
            row = run | {k: finding.get(k) for k in _FINDING_COLUMNS} | unit | measured | limits
            writer.writerow({name: _harmless(cell) for name, cell in row.items()})
    return text.getvalue()


def _harmless(cell: object) -> object:
    return f"'{cell}" if isinstance(cell, str) and cell.startswith(FORMULA) else cell


def _with_readings(data: Data) -> Iterator[tuple[Data, Data | None]]:
    """Each finding with the reading that it names, if it names one."""
    readings = {reading["name"]: reading for reading in data["readings"]}
    for finding in data["findings"]:
        yield finding, readings.get(finding["reading"])


def value_text(reading: Data | None) -> tuple[str | None, str | None]:
    """Value and expanded uncertainty, the value to the last digit of U (JCGM 100:2008, 7.2.6); an interval where the
    value is one."""
    if reading is None:
        return None, None
    if reading["value"] is None:
        return _interval_text(reading), None
    expanded = reading["U"]
    if not expanded:
        return quantity_text(reading), None
    places = max(0, 1 - math.floor(math.log10(expanded)))
    return f"{reading['value']:.{places}f} {reading['unit']}", f"{expanded:.{places}f}"


def _interval_text(reading: Data) -> str | None:
    if not reading["interval"]:
        return None
    low, high = reading["interval"]
    if low == high:
        return f"at least {low:.4g} {reading['unit']}"
    return f"{low:.3g} … {high:.3g} {reading['unit']}"


def quantity_text(quantity: Data | None) -> str | None:
    """A quantity as the contract words it, short."""
    if not quantity or quantity["value"] is None:
        return None
    return f"{quantity['value']:.5g} {quantity['unit']}"


def _short(number: float | None) -> str | None:
    return None if number is None else f"{number:.2f}"


def _file(file: Data | None) -> str | None:
    return f"{file['file']} ({file['bytes']} bytes, SHA-256 {file['sha256']})" if file else None
