"""The reopen check: what a difference between two free flows is put down to."""

import math

import pytest

from daq.measure.reading import Reading
from daq.measure.uncertainty import Component, Shape, combine
from daq.procedure.reopening import Pair, reopen_check
from tests.daq.measure.blocks import LITRES_PER_HOUR

FLOW, PRESSURE = 120 * LITRES_PER_HOUR, 20e3


def reading(quantity: str, value: float, scatter: float) -> Reading:
    """A mean whose standard error is well known; a difference of two of them has U = 1.96·√2 of it."""
    doubt = combine([Component("scatter", Shape.STUDENT, scatter, dof=1e6)])
    return Reading(quantity, "free_flow", value, value, value, doubt, 20, 20.0, (0.0, 1.0))


def interval(low: float, high: float) -> Reading:
    return Reading("flow", "free_flow", math.nan, low, high, combine(()), 0, 0.0, (0.0, 1.0), flags=("interval",))


def pair(quantity: str, value: float, share: float, scatter: float = 1e-4) -> Pair:
    """Two readings, the second higher by a share of the first; `scatter` is one too."""
    return reading(quantity, value, scatter * value), reading(quantity, value * (1.0 + share), scatter * value)


def pairs(flow: float, pressure: float, *, scatter: float = 1e-4, **others: float) -> dict[str, Pair]:
    found = {"flow": pair("flow", FLOW, flow, scatter), "pressure": pair("pressure", PRESSURE, pressure, 1e-6)}
    levels = {"voltage": 13.5, "current": 5.0}
    return found | {q: pair(q, level, others.get(q, 0.0)) for q, level in levels.items()}


def said(made: dict[str, Pair]) -> str:
    (note,) = reopen_check(made, 70.0)
    assert (note.t, note.what) == (70.0, "reopen check")
    return note.detail


def test_two_flows_that_chance_alone_may_part_agree() -> None:
    assert said(pairs(2e-4, 4e-4)) == "agrees: +0.02 ± 0.03 L/h"


def test_a_flow_that_fell_by_itself() -> None:
    """Pressure fell with the square of flow, as a line whose valve stands where it stood has it."""
    assert said(pairs(-0.02, 0.98**2 - 1.0)).startswith("differs: -2.40 ± 0.03 L/h; nothing else changed")


def test_a_valve_that_is_not_where_it_was() -> None:
    assert said(pairs(-0.02, 0.03)).endswith("; the valve is not where it was")
    assert "valve" in said(pairs(-0.02, -0.10))


@pytest.mark.parametrize(("beyond", "moved"), [(-1.1, True), (-0.9, False), (0.9, False), (1.1, True)])
def test_the_flows_uncertainty_counts_twice_in_the_pressure_that_follows_from_it(beyond: float, moved: bool) -> None:
    """p in proportion to Q²: dp/p = 2·dQ/Q. The pressure is off by `beyond` times what the flows leave open."""
    scatter = 0.002
    open_to = 2.0 * 1.96 * math.sqrt(2.0) * scatter
    made = pairs(-0.03, 0.97**2 - 1.0 + beyond * open_to, scatter=scatter)
    assert ("the valve is not where it was" in said(made)) is moved


@pytest.mark.parametrize(
    ("quantity", "reason", "shown"),
    [
        ("voltage", "the supply changed", "(-0.27 ± 0.00 V)"),
        ("current", "the unit's current changed: its load or its winding did", "(-0.10 ± 0.00 A)"),
    ],
)
def test_what_else_changed_is_the_reason(quantity: str, reason: str, shown: str) -> None:
    detail = said(pairs(-0.02, 0.98**2 - 1.0, **{quantity: -0.02}))
    assert detail.endswith(f"; {reason} {shown}")


def test_all_reasons_are_told() -> None:
    detail = said(pairs(-0.02, 0.05, voltage=-0.02, current=-0.02))
    assert [part in detail for part in ("the valve", "the supply", "current changed")] == [True] * 3


def test_a_flow_that_was_read_only_once_is_compared_with_nothing() -> None:
    first, second = pair("flow", FLOW, 0.0)
    others = pairs(0.0, 0.0)
    assert reopen_check(others | {"flow": (first, None)}, 70.0) == []
    assert reopen_check(others | {"flow": (None, second)}, 70.0) == []


def test_a_flow_below_the_meters_table_once_is_told_and_twice_is_nothing() -> None:
    first, second = pair("flow", FLOW, 0.0)
    low, others = interval(0.0, 1e-6), pairs(0.0, 0.0)
    assert said(others | {"flow": (low, second)}) == said(others | {"flow": (first, low)}) == "flow was read only once"
    assert reopen_check(others | {"flow": (low, low)}, 70.0) == []


def test_without_both_pressures_nothing_is_said_of_the_valve() -> None:
    made = pairs(-0.02, 0.05)
    first, second = made["pressure"]
    for half in ((first, None), (None, second)):
        assert "valve" not in said(made | {"pressure": half})
