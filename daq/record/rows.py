"""Between the result's `data`, as the contract words it, and rows: both ways without loss."""

from typing import Any

from daq.record.models import Finding, Json, Reading, Run
from daq.record.times import parse_rfc3339, rfc3339

# Column and key carry one name, and are written when the run has ended.
_RUN_ENDED = ("pump_on_s", "verdict", "why", "conditions", "hints", "quality", "versions")
# Known from the start; the result repeats them.
_RUN_STARTED = (
    *("run", "site", "stand", "mode", "sim", "part", "part_revision", "kind"),
    *("serial", "serial_given", "operator", "attempt", "earlier_runs"),
)
_RUN_OTHER = ("seq", "order", "started", "ended", "findings", "readings", "trace", "recording")
_FILES = ("trace", "recording")
_READING = {
    **{key: key for key in ("name", "quantity", "stage", "value", "unit", "reference", "k", "dof", "n_effective")},
    **{"standard_u": "u", "expanded_u": "U", "corrections": "corrections", "flags": "flags"},
}
_READING_PAIRS = {"window": ("window_from_s", "window_to_s"), "interval": ("interval_low", "interval_high")}
_FINDING = ("requirement", "quantity", "stage", "mode", "guard", "reading", "finding", "p_conform")
_FINDING_OTHER = ("at", "after", "at_least", "at_most")


def fill(run: Run, seq: int, data: Json) -> None:
    """Writes the end of a run into its row, with its readings and findings."""
    run.seq = seq
    run.ended = parse_rfc3339(data["ended"])
    for key in _RUN_ENDED:
        setattr(run, key, data[key])
    for key in _FILES:
        _set_file(run, key, data[key])
    run.rest = _rest(data, (*_RUN_ENDED, *_RUN_STARTED, *_RUN_OTHER))
    run.readings = [_reading(run.run, k, item) for k, item in enumerate(data["readings"])]
    run.findings = [_finding(run.run, k, item) for k, item in enumerate(data["findings"])]


def to_data(run: Run) -> Json:
    """The result's `data` as `fill` was given it; of a run under way, what is known yet."""
    data: Json = {key: getattr(run, key) for key in (*_RUN_STARTED, *_RUN_ENDED)}
    data |= {"seq": run.seq, "order": run.work_order}
    data |= {"started": rfc3339(run.started), "ended": None if run.ended is None else rfc3339(run.ended)}
    data |= {key: _get_file(run, key) for key in _FILES}
    data |= {"readings": [_from_reading(r) for r in run.readings]}
    data |= {"findings": [_from_finding(f) for f in run.findings]}
    return data | run.rest


def _reading(run: str, position: int, item: Json) -> Reading:
    columns = {column: item[key] for column, key in _READING.items()}
    for key, pair in _READING_PAIRS.items():
        columns |= dict(zip(pair, item[key] or (None, None), strict=True))
    rest = _rest(item, (*_READING.values(), *_READING_PAIRS))
    return Reading(run=run, position=position, rest=rest, **columns)


def _from_reading(row: Reading) -> Json:
    item = {key: getattr(row, column) for column, key in _READING.items()}
    for key, pair in _READING_PAIRS.items():
        values = [getattr(row, column) for column in pair]
        item[key] = None if None in values else values
    return item | row.rest


def _finding(run: str, position: int, item: Json) -> Finding:
    limit = item["at_least"] or item["at_most"] or {}
    at = item["at"] or {}
    return Finding(
        run=run,
        position=position,
        **{key: item[key] for key in _FINDING},
        at_value=at.get("value"),
        at_unit=at.get("unit"),
        at_reference=at.get("reference"),
        after_s=_value(item["after"]),
        at_least=_value(item["at_least"]),
        at_most=_value(item["at_most"]),
        unit=limit.get("unit"),
        reference=limit.get("reference"),
        rest=_rest(item, (*_FINDING, *_FINDING_OTHER)),
    )


def _from_finding(row: Finding) -> Json:
    item = {key: getattr(row, key) for key in _FINDING}
    item["at"] = _quantity(row.at_value, row.at_unit, row.at_reference)
    item["after"] = _quantity(row.after_s, "s", None)
    item["at_least"] = _quantity(row.at_least, row.unit, row.reference)
    item["at_most"] = _quantity(row.at_most, row.unit, row.reference)
    return item | row.rest


def _value(quantity: Json | None) -> float | None:
    return None if quantity is None else quantity["value"]


def _quantity(value: float | None, unit: str | None, reference: str | None) -> Json | None:
    if value is None:
        return None
    return {"value": value, "unit": unit} | ({"reference": reference} if reference is not None else {})


def _set_file(run: Run, key: str, file: Json | None) -> None:
    for part in ("file", "sha256", "bytes"):
        setattr(run, f"{key}_{part}", None if file is None else file[part])


def _get_file(run: Run, key: str) -> Json | None:
    parts: Json = {part: getattr(run, f"{key}_{part}") for part in ("file", "sha256", "bytes")}
    return None if parts["file"] is None else parts


def _rest(item: Json, known: tuple[Any, ...]) -> Json:
    return {key: value for key, value in item.items() if key not in known}
