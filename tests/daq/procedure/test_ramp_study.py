"""Short runs of the studies of a driven valve: what they show for each part of the catalogue is so."""

from dataclasses import replace

import pytest

from daq.judge.verdict import Word
from daq.procedure.plan import Drive
from tests.daq.procedure.pipes import DISPLACEMENT, REGULATED
from tests.studies import driven, ramp

DRIVE = Drive()


@pytest.mark.parametrize("number", driven.UNITS)
def test_a_driven_run_of_every_part_stays_within_what_the_stand_states(number: str) -> None:
    drive = driven.driven_stand().drive
    assert drive is not None
    seen = driven.shown(number, seed=1)
    assert seen.outcome.verdict.word is Word.PASS
    assert seen.overshoot <= drive.overshoot
    assert seen.rate <= 1.1 * drive.pressure_rate
    assert seen.at_shutoff < 12.0
    assert max(seconds for _, seconds in seen.stages) < 20.0


@pytest.mark.parametrize("unit", ["displacement", "module"])
def test_a_ramp_beats_an_even_closing_of_the_same_length(unit: str) -> None:
    told = ramp.told(ramp.Case(unit, 2.0, DRIVE), 1)
    assert told.closed.rate <= 1.1 * DRIVE.pressure_rate < 1.5 * DRIVE.pressure_rate < told.even.rate
    assert told.closed.overshoot <= DRIVE.overshoot
    assert told.closed.settles < 1.0
    assert told.opened[1] <= DRIVE.pressure_rate
    assert abs(told.held.off) <= 0.0075 * ramp.UNITS[unit]
    assert told.held.past <= 0.01 * ramp.UNITS[unit]
    assert told.held.seconds < 15.0


def test_a_module_that_opens_first_gropes_for_its_regulator() -> None:
    told = ramp.told(ramp.Case("module", 2.0, replace(DRIVE, travel=2.0)), 1)
    assert told.first is not None
    assert told.first[1] <= 1.2 * DRIVE.pressure_rate


def test_a_regulator_that_lifts_off_late_is_overshot_by_an_even_closing_only() -> None:
    late = replace(REGULATED, late=0.1)
    seconds, over, _ = ramp.against(late, "linear", 1.0)
    _, even, _ = ramp.against(late, "linear", 1.0, seconds)
    assert over < 5e3 < DRIVE.overshoot < even


def test_an_actuator_far_slower_than_stated_takes_pressure_along() -> None:
    """What the table warns of: the command runs ahead."""
    _, _, rate = ramp.against(DISPLACEMENT, "needle", 2.0)
    assert rate > 3.0 * DRIVE.pressure_rate
