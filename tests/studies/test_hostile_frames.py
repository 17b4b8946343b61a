"""A short form of the attack by sound frames: nothing raises, and no unit gets a verdict that it does not deserve."""

import pytest

from tests.studies.hostile_frames import RATES, UNITS, Attack, carry_out


@pytest.mark.parametrize("rate", RATES[1:])
@pytest.mark.parametrize(("mode", "unit"), [("followed", "good-pump"), ("driven", "module"), ("followed", "weak-pump")])
def test_no_frame_brings_a_run_down_or_to_a_wrong_verdict(mode: str, unit: str, rate: float) -> None:
    for seed in (1, 2):
        survived = carry_out(Attack(mode, unit, rate, seed))
        assert not survived.wrong, survived


@pytest.mark.parametrize("rate", RATES[2:])
@pytest.mark.parametrize("mode", ["followed", "driven"])
def test_no_counter_of_another_driver_brings_a_run_down(mode: str, rate: float) -> None:
    for seed in (1, 2):
        survived = carry_out(Attack(mode, "good-pump", rate, seed, direct=True))
        assert not survived.wrong, survived


def test_a_line_that_is_spoilt_throughout_ends_void() -> None:
    assert carry_out(Attack("followed", "good-pump", 0.05, 3)).word == "void"


@pytest.mark.parametrize("unit", UNITS)
def test_without_attack_a_unit_gets_what_it_deserves(unit: str) -> None:
    assert carry_out(Attack("followed", unit, 0.0, 1)).word == UNITS[unit][1]
