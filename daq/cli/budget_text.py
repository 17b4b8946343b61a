"""A stored reading's uncertainty budget as rows for people who follow it line by line."""

from collections.abc import Iterator
from typing import Any

from daq.cli.run_text import value_text

Data = dict[str, Any]

BUDGET_HEAD = ("source", "stated", "distribution", "divisor", "sensitivity", "u", "share", "dof")


def budgets(data: Data) -> list[Data]:
    """The readings of a run that have a budget; an interval has none, nor what an older version stored."""
    return [reading for reading in data["readings"] if reading.get("budget")]


def budget_rows(reading: Data, *, named: bool = False) -> Iterator[tuple[object, ...]]:
    """A row by `BUDGET_HEAD` for each source; `share` is its part of the combined variance. `named`: the reading's name
    comes first."""
    whole = sum(line["u"] ** 2 for line in reading["budget"]) or 1.0
    for line in reading["budget"]:
        sensitivity = "1" if line["sensitivity"] == 1.0 else _number(line["sensitivity"])
        if line["unit"] != reading["unit"]:
            sensitivity += f" {_part(reading['unit'])}/{_part(line['unit'])}"
        yield (
            *((reading["name"],) if named else ()),
            line["source"],
            f"{_number(line['stated'])} {line['unit']}",
            line["distribution"],
            _divisor(line["divisor"]),
            sensitivity,
            _number(line["u"]),
            f"{100 * line['u'] ** 2 / whole:.1f} %",
            _freedom(line["dof"]),
        )


def conclusion(reading: Data) -> str:
    """What the lines come to: combined u, degrees of freedom, k, U; how scatter was found, and what was corrected."""
    value, expanded = value_text(reading)
    widened = [line for line in reading["budget"] if line["widen"] > 1.0]
    text = f"{value} ± {expanded} (95 %): combined u {_number(reading['u'])} {reading['unit']}, "
    factor = f"k = {reading['k']:.2f}"  # records of older versions hold no sentence
    text += f"{_freedom(reading['dof'])} degrees of freedom; {reading.get('k_from') or factor}"
    if widened:
        names = ", ".join(f"{line['source']} × {line['widen']:.2f}" for line in widened)
        text += f"; widened for repeated looks: {names}"
    for line in reading["budget"]:
        if line.get("values"):
            text += f"; {line['source']} of {line['values']} values worth {line['worth']:.1f} independent ones"
            text += f" (autocorrelation {line['phi']:.2f}){_pooled(line)}"
    for name, by in (reading["corrections"] or {}).items():
        text += f"; corrected for {name}: {by:+.4g} {reading['unit']}"
    return text


def _pooled(line: Data) -> str:
    """Evidence that a scatter rests on besides its own window."""
    if not line.get("known_dof"):
        return ""
    runs = f" from {line['runs']} earlier runs" if line["runs"] else ""
    return f", pooled with {line['known_dof']:.0f} degrees of freedom{runs}"


def _part(unit: str) -> str:
    """A unit above or below a fraction's line."""
    return f"({unit})" if "/" in unit else unit


def _number(value: float) -> str:
    return f"{value:.3g}"


def _freedom(dof: float | None) -> str:
    """Beyond a thousand it makes no difference any more."""
    if dof is None:
        return "∞"
    return "over 1000" if dof > 1000 else f"{dof:.1f}"


def _divisor(divisor: float) -> str:
    return "√3" if abs(divisor - 3**0.5) < 1e-9 else f"{divisor:g}"
