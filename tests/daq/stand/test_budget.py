"""The budget of a reading as it is kept: each line stated ÷ divisor × sensitivity, and all of them together u."""

import math

import numpy as np
import pytest

from daq.measure.reading import Reading
from daq.measure.uncertainty import Component, Shape, combine, mean_of
from daq.stand.budget import budget_of
from tests.studies.common import autoregressive

PARTS = (
    Component("scatter", Shape.STUDENT, 80.0, dof=7.5, widen=1.4, values=20, worth=11.0),
    Component.normal("calibration", 2500.0, k=2.0, common=True),
    Component.rectangular("drift", 1000.0, 0.5, common=True),
    Component.normal("voltage at the terminals", 0.0136, 1.0, 60e3, about="voltage"),
)


def test_each_line_leads_to_its_u_and_all_of_them_to_the_readings() -> None:
    reading = Reading("pressure", "shutoff", 5e5, 5e5, 5e5, combine(PARTS), 20, 11.0, (0.0, 1.0))
    lines = budget_of(reading)
    assert [line["source"] for line in lines] == ["calibration", "voltage at the terminals", "drift", "scatter"]
    for line in lines:
        assert line["u"] == pytest.approx(line["stated"] / line["divisor"] * abs(line["sensitivity"]))
    assert math.hypot(*(line["u"] for line in lines)) == pytest.approx(reading.combined.u * 1e-3)
    by = {line["source"]: line for line in lines}
    assert (by["calibration"]["stated"], by["calibration"]["unit"], by["calibration"]["divisor"]) == (2.5, "kPa", 2.0)
    volts = by["voltage at the terminals"]
    assert (volts["stated"], volts["unit"], volts["sensitivity"]) == (0.0136, "V", 60.0)
    assert (by["scatter"]["dof"], by["scatter"]["widen"], by["drift"]["dof"]) == (7.5, 1.4, None)


def test_an_interval_has_none() -> None:
    bounded = Reading("flow", "shutoff", math.nan, 0.0, 1e-6, combine(()), 0, 0.0, (0.0, 1.0), flags=("interval",))
    assert budget_of(bounded) == []


def test_a_scatter_says_what_it_was_found_from() -> None:
    """Also where it was passed on to another quantity."""
    found = mean_of(autoregressive(np.random.default_rng(3), 0.5, 1, 40)[0], looks=5)
    scatter = found.component().scaled(2.0, "pressure")
    (line,) = budget_of(Reading("power", "shutoff", 5.0, 5.0, 5.0, combine([scatter]), 40, 9.0, (0.0, 1.0)))
    assert (line["source"], line["values"], line["widen"]) == ("pressure: scatter", 40, pytest.approx(found.widen))
    assert line["worth"] == pytest.approx(found.n_effective)
    assert line["phi"] == pytest.approx(found.phi)


def test_a_doubt_about_time_leak_or_warmth_has_its_own_unit() -> None:
    lines = (
        Component.normal("stand's leak", 30.0, 2.0, 10.0, common=True, about="decay"),
        Component.rectangular("moment of power-off", 0.05, -54.8, about="second"),
        Component.rectangular("fluid temperature since power-off", 0.2, 5e3, about="kelvin"),
    )
    reading = Reading("residual_pressure", "residual", 5e5, 5e5, 5e5, combine(lines), 20, 11.0, (0.0, 1.0))
    warmth, leak, moment = budget_of(reading)
    assert (leak["stated"], leak["unit"], leak["sensitivity"]) == (0.03, "kPa/s", 10.0)
    assert (moment["stated"], moment["unit"], moment["sensitivity"]) == (0.05, "s", pytest.approx(-0.0548))
    assert (warmth["stated"], warmth["unit"], warmth["sensitivity"]) == (pytest.approx(0.2), "K", 5.0)


def test_what_rounding_left_of_a_line_that_cancels_is_none() -> None:
    lines = (*PARTS, Component.rectangular("meter lag", 1e-10))
    reading = Reading("pressure", "shutoff", 5e5, 5e5, 5e5, combine(lines), 20, 11.0, (0.0, 1.0))
    assert "meter lag" not in [line["source"] for line in budget_of(reading)]
