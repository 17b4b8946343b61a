"""From the core's outcome to the contract's words: places, times and units."""

import pytest

from daq.judge.finding import judge
from daq.judge.hints import Hint
from daq.judge.requirement import Quantity, Requirement
from daq.measure.reading import Reading
from daq.measure.uncertainty import Component, combine
from daq.publish.contract import plain
from daq.stand import result


def reading(quantity: str, stage: str, value: float, at: float | None = None) -> Reading:
    combined = combine([Component.normal("calibration", 0.01 * value)])
    return Reading(quantity, stage, value, value, value, combined, 20, 12.0, (1.0, 2.0), at=at)


@pytest.mark.parametrize(
    ("quantity", "stage", "at", "name"),
    [
        ("flow", "free_flow.2", None, "free_flow.2.flow"),
        ("flow", "rated", 400e3, "rated.flow@400kPa"),
        ("pressure", "rated", 90 / 3.6e6, "rated.pressure@90L/h"),
        ("efficiency", "rated", 312.5e3, "rated.efficiency@312.5kPa"),
        ("residual_pressure", "residual", 60.0, "residual.residual_pressure@60s"),
    ],
)
def test_a_reading_is_named_by_where_it_was_made(quantity: str, stage: str, at: float | None, name: str) -> None:
    assert result.reading(reading(quantity, stage, 0.2, at)).name == name


def test_a_finding_tells_place_and_time_with_their_units_and_names_its_reading() -> None:
    flow = Requirement("rated flow", Quantity.FLOW, "rated", at_least=2.5e-5, at=400e3)
    told = result.finding(judge(flow, reading("flow", "rated", 3e-5, 400e3), "rated"))
    assert told.at is not None
    assert (told.at.value, told.at.unit, told.at.reference) == (400.0, "kPa", "gauge")
    assert told.reading == "rated.flow@400kPa"
    held = Requirement("holds", Quantity.RESIDUAL_PRESSURE, "residual", at_least=3e5, after=60.0)
    told = result.finding(judge(held, reading("residual_pressure", "residual", 4e5, 60.0), "residual"))
    assert told.after is not None
    assert (told.after.value, told.after.unit) == (60.0, "s")
    pressure = Requirement("p", Quantity.PRESSURE, "rated", at_least=2e5, at=90 / 3.6e6)
    told = result.finding(judge(pressure, None, "rated"))
    assert told.at is not None
    assert (told.at.value, told.at.unit, told.at.reference) == (pytest.approx(90.0), "L/h", None)
    assert told.reading is None


def test_speed_and_efficiency_are_told_in_the_units_of_the_trade() -> None:
    speed = result.reading(reading("speed", "free_flow", 100.0))
    assert (speed.value, speed.unit) == (pytest.approx(6000.0), "/min")
    share = result.reading(reading("efficiency", "free_flow", 0.18))
    assert (share.value, share.unit) == (pytest.approx(18.0), "%")


def test_a_hint_says_what_it_rests_on() -> None:
    told = result.hint(Hint("worn pump", 1, ("free flow: flow 93 L/h, required at least 110 L/h",), (), 1.0))
    assert plain(told) == {
        "cause": "worn pump",
        "rank": 1,
        "for": ["free flow: flow 93 L/h, required at least 110 L/h"],
        "against": [],
        "basis": "common practice, no source",
    }
