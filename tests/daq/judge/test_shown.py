"""How readings and limits are put into words and units of the trade."""

import math
from dataclasses import replace

import pytest

from daq.judge.requirement import Mode, Quantity, Requirement
from daq.judge.shown import UNITS, amount, limits_text, reading_text, stage_text
from daq.measure.reading import Reading
from daq.measure.uncertainty import combine

SHOWN = [
    ("flow", 110 / 3.6e6, "110 L/h"),
    ("pressure", 400e3, "400 kPa"),
    ("peak_pressure", 523.46e3, "523.5 kPa"),
    ("residual_pressure", 300e3, "300 kPa"),
    ("current", 4.5678, "4.568 A"),
    ("voltage", 13.5, "13.5 V"),
    ("power", 60.75, "60.75 W"),
    ("efficiency", 0.19753, "19.75 %"),
    ("speed", 112.5, "6750 /min"),
    ("fill_time", 6.5, "6.5 s"),
]


def reading(quantity: str, value: float, low: float | None = None, high: float | None = None) -> Reading:
    bounds = (value if low is None else low, value if high is None else high)
    return Reading(quantity, "free_flow.2", value, *bounds, combine(()), 20, 12.0, (1.0, 2.0))


@pytest.mark.parametrize(("quantity", "value", "text"), SHOWN)
def test_an_amount_in_the_unit_of_the_trade(quantity: str, value: float, text: str) -> None:
    assert amount(quantity, value) == text
    assert reading_text(reading(quantity, value)) == f"free flow 2: {quantity.replace('_', ' ')} {text}"


def test_every_quantity_has_a_unit() -> None:
    assert set(UNITS) == set(Quantity) == {quantity for quantity, _, _ in SHOWN}


def test_an_interval_is_told_by_its_ends() -> None:
    assert reading_text(reading("flow", math.nan, 0.0, 2 / 3.6e6)) == "free flow 2: flow 0 L/h to 2 L/h"
    assert reading_text(reading("current", math.nan, 18.2, 18.2)) == "free flow 2: current at least 18.2 A"


@pytest.mark.parametrize(
    ("quantity", "at", "place"),
    [
        ("flow", 300e3, " at 300 kPa"),
        ("current", 300e3, " at 300 kPa"),
        ("pressure", 60 / 3.6e6, " at 60 L/h"),
        ("residual_pressure", 300.0, " 300 s after power-off"),
    ],
)
def test_where_or_when_it_was_read(quantity: str, at: float, place: str) -> None:
    plain = reading(quantity, 1.0)
    assert reading_text(replace(plain, at=at)) == reading_text(plain) + place


@pytest.mark.parametrize(
    ("low", "high", "text"),
    [
        (380e3, 420e3, "required 380 kPa to 420 kPa"),
        (380e3, None, "required at least 380 kPa"),
        (None, 420e3, "required at most 420 kPa"),
        (None, None, "nothing required"),
    ],
)
def test_what_is_required(low: float | None, high: float | None, text: str) -> None:
    assert limits_text(Requirement("regulated", Quantity.PRESSURE, "shutoff", low, high)) == text


@pytest.mark.parametrize(
    ("stage", "text"), [("free_flow", "free flow"), ("shutoff.2", "shutoff 2"), ("dry_check", "dry check")]
)
def test_a_stage_for_people(stage: str, text: str) -> None:
    assert stage_text(stage) == text


def test_a_requirement_that_says_no_more_is_decided_on_with_the_whole_guard_band() -> None:
    asked = Requirement("flow", Quantity.FLOW, "free_flow")
    assert (asked.mode, asked.guard) == (Mode.DECIDE, 1.0)
    assert (asked.at_least, asked.at_most, asked.at, asked.after, asked.target) == (None,) * 5
