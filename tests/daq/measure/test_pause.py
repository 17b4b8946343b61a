"""Readings where the valve pauses: from the pressure that was held to the one that was asked for."""

import math
from dataclasses import replace

import numpy as np
import pytest

from daq.measure.flow import Flow
from daq.measure.pause import Pause
from daq.measure.rated import rated
from daq.measure.reading import Reader, Supply, Window
from daq.measure.steps import Step
from tests.daq.measure.blocks import CHANNELS
from tests.daq.measure.test_reading import LSB, scatter, window
from tests.daq.measure.travels import unit_current, unit_flow

AT = 400e3
VOLTS = 13.5


def paused(pressure: float, looks: int = 1, travel: list[Step] | None = None, to_outlet: float = 0.0) -> Pause:
    return Pause(held(pressure), to_outlet, way_there() if travel is None else travel, looks, LSB[0])


def held(pressure: float) -> Window:
    """A steady window of the paper unit with the valve held at a pressure."""
    q = float(unit_flow(pressure))
    return window(
        stage="rated",
        pressure=scatter(pressure, 300.0),
        current=scatter(float(unit_current(pressure)), 0.02, seed=3),
        voltage=scatter(VOLTS, 0.01, seed=2),
        flow=Flow(q, q, q),
        flow_steps=scatter(q, 0.003 * q, seed=4),
    )


def way_there(top: float = AT) -> list[Step]:
    """The steps of a travel from an open valve to a pressure."""
    return [
        Step(
            number=k,
            t=0.05 * k,
            pressure=p,
            voltage=VOLTS,
            current=float(unit_current(p)),
            temperature=math.nan,
            level=math.nan,
            flow=Flow(*[float(unit_flow(p))] * 3),
            flow_step=None,
            lost=False,
            faulty=0,
            above=0,
            top=p,
        )
        for k, p in enumerate(np.linspace(20e3, top, 60).tolist())
    ]


@pytest.mark.parametrize("off", [-2e3, -500.0, 0.0, 1e3, 2e3])
def test_a_quantity_is_taken_along_its_slope_to_the_pressure(off: float) -> None:
    pause = paused(AT + off)
    flow, current = pause.flow_at(AT), pause.current_at(AT)
    assert flow is not None
    assert current is not None
    assert flow.value == pytest.approx(float(unit_flow(AT)), rel=2e-4)
    assert current.value == pytest.approx(float(unit_current(AT)), rel=1e-6)
    slope = float(unit_flow(AT + 1e3) - unit_flow(AT - 1e3)) / 2e3
    assert flow.slope == pytest.approx(slope, rel=0.05)


def test_what_the_slope_may_be_off_is_in_the_doubt() -> None:
    """Half of a slope over 2 kPa, rectangular: 0.5 × slope × 2 kPa ÷ √3."""
    flow = paused(AT - 2e3).flow_at(AT)
    assert flow is not None
    [doubt] = [c for c in flow.components if c.source == "slope"]
    assert doubt.standard == pytest.approx(0.5 * abs(flow.slope) * 2e3 / math.sqrt(3), rel=1e-6)
    assert [c.source for c in flow.components] == ["scatter", "scatter, pressure", "slope"]


def test_the_hose_and_a_height_count_to_the_pressure_at_the_outlet() -> None:
    assert paused(AT - 1e3, to_outlet=1e3).pressure == pytest.approx(AT)


def test_looks_cost_as_they_do_in_any_window() -> None:
    once, often = (paused(AT, looks).flow_at(AT) for looks in (1, 5))
    assert once is not None
    assert often is not None
    assert often.components[0].widen > once.components[0].widen == 1.0


@pytest.mark.parametrize("travel", [[], way_there(0.5 * AT)])
def test_a_way_that_shows_no_slope_is_taken_at_its_steepest(travel: list[Step]) -> None:
    """As if all of the flow went with all of the pressure: few pumps are steeper so far from their end."""
    flow = paused(AT, travel=travel).flow_at(AT)
    assert flow is not None
    assert flow.slope == pytest.approx(-float(unit_flow(AT)) / AT, rel=1e-3)


@pytest.mark.parametrize("steps", [np.empty(0), np.array([1e-5]), np.array([1e-5, math.nan, 1e-5])])
def test_a_flow_that_is_not_known_is_not_placed(steps: np.ndarray) -> None:
    assert Pause(replace(held(AT), flow_steps=steps), 0.0, way_there(), 1, LSB[0]).flow_at(AT) is None
    unknown = Flow(math.nan, 0.0, 1e-6)
    assert Pause(replace(held(AT), flow=unknown), 0.0, way_there(), 1, LSB[0]).flow_at(AT) is None


def test_no_pressure_at_a_flow_is_held() -> None:
    assert paused(AT).pressure_at(2e-5) is None
    reader = Reader(CHANNELS, LSB, {}, Supply(VOLTS))
    assert rated(paused(AT), "current", 2e-5, reader, place="flow", kelvins=2.0, span=(1.0, 2.0)) is None


@pytest.mark.parametrize("quantity", ["flow", "current", "power", "efficiency"])
def test_readings_of_a_pause_hold_the_doubt_of_the_pressure(quantity: str) -> None:
    """The calibration of the transducer counts by the slope: at another true pressure the unit gives something else."""
    reader = Reader(CHANNELS, LSB, {"pressure": 0.5}, Supply(VOLTS))
    reading = rated(paused(AT - 1e3), quantity, AT, reader, place="pressure", kelvins=2.0, span=(1.0, 2.0))
    assert reading is not None
    assert (reading.stage, reading.at) == ("rated", AT)
    q, i = float(unit_flow(AT)), float(unit_current(AT))
    truth = {"flow": q, "current": i, "power": VOLTS * i, "efficiency": AT * q / (VOLTS * i)}[quantity]
    assert reading.value == pytest.approx(truth, rel=1e-3)
    assert any("pressure" in c.about or c.source.startswith("pressure") for c in reading.combined.components)
