"""Whether what pressure is left may be the unit's: which steps before power-off count, and what spoils it."""

import math
from dataclasses import replace

import pytest

from daq.measure.convert import BITS, Column
from daq.measure.flow import Flow
from daq.measure.steps import Step
from daq.procedure.fitness import Fitness
from daq.procedure.held import BEFORE_S, why_not_held
from tests.daq.procedure.bench import pump

STEP_S = 0.05
OFF = 10.0
SILENT = Flow(math.nan, 0.0, 5e-7, silent=True)
FLOWS = Flow(3e-5, 3e-5, 3e-5)


def steps(first: float = 8.0, last: float = 15.0) -> list[Step]:
    """Behind a shut valve: 500 kPa at the test voltage up to power-off, each step named by the time of its end."""
    made = []
    for k in range(round(first / STEP_S), round(last / STEP_S) + 1):
        t = k * STEP_S
        volts = 13.5 if t < OFF + 1e-6 else 0.0
        made.append(Step(k, t, 500e3, volts, 5.0, 295.0, 0.0, SILENT, None, False, 0, 0, 500e3))
    return made


def why(made: list[Step]) -> str:
    return why_not_held(made, OFF, STEP_S, Fitness(pump()), "residual")


def changed(at: float, **what: object) -> list[Step]:
    """The steps, one of which is as said."""
    return [replace(s, **what) if abs(s.t - at) < 1e-6 else s for s in steps()]  # type: ignore[arg-type]


def test_all_as_it_should_be() -> None:
    assert why(steps()) == ""


def test_the_step_in_which_the_switch_opened_is_only_in_part_under_power() -> None:
    assert why(changed(OFF, voltage=6.0)) == ""
    assert why(changed(OFF - STEP_S, voltage=6.0)) == "supply low"


@pytest.mark.parametrize(("before", "found"), [(BEFORE_S, "supply low"), (BEFORE_S + 2 * STEP_S, "")])
def test_a_supply_that_sagged_just_before_power_off_counts_and_earlier_not(before: float, found: str) -> None:
    assert why(changed(OFF - before, voltage=12.0)) == found


@pytest.mark.parametrize(
    ("what", "found"),
    [
        ({"faulty": BITS[Column.PRESSURE]}, "pressure faulty"),
        ({"temperature": 350.0}, "fluid temperature"),
        ({"voltage": 15.0}, "supply high"),
        ({"flow": FLOWS}, "flow with the valve shut"),
    ],
    ids=["a faulty channel", "warm fluid", "too much voltage", "an open valve"],
)
def test_what_spoils_it_before_power_off(what: dict[str, object], found: str) -> None:
    assert why(changed(OFF - 0.2, **what)) == found


def test_flow_after_power_off_came_through_a_valve_that_was_opened() -> None:
    assert why(changed(OFF + STEP_S, flow=FLOWS)) == "flow after power-off: was the valve opened?"
    assert why(changed(OFF + 4.0, flow=FLOWS)) == "flow after power-off: was the valve opened?"


def test_what_was_wrong_before_is_told_rather_than_what_came_after() -> None:
    made = [replace(s, flow=FLOWS) if s.t > OFF + 1e-6 else s for s in changed(OFF - 0.2, voltage=12.0)]
    assert why(made) == "supply low"


def test_without_steps_before_power_off_nothing_is_known_of_it() -> None:
    assert why([s for s in steps() if s.t > OFF - STEP_S / 2]) == "power-off not seen"
