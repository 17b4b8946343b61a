"""Something happens to a sound unit in each stage of its run: no unit fails by it, and none passes without evidence."""

from functools import cache

import pytest

from daq.judge.verdict import Word
from daq.procedure.effects import Outcome
from daq.procedure.run import Run
from tests.daq.procedure.mishaps import IDENTITY, Carried, Mishap, carry_out, mounted, part, stages, stand

LASTING = ("unit_off", "hose_off", "lead_off", "out_of_fluid")
"""What leaves nothing to read from then on."""
WET = ("free_flow", "throttle", "shutoff", "reopen", "free_flow.2")
"""Stages of a bare pump in which it runs in fluid, and after which something is still to be read."""


@cache
def undisturbed(unit: str) -> Outcome:
    outcome = carry_out(Run(part(unit), stand(), IDENTITY, {}), mounted(unit)).outcome
    assert outcome.verdict.word is Word.PASS
    return outcome


def disturbed(unit: str, name: str, stage: str, share: float = 0.5, *, obeys: bool = True) -> Carried:
    """The run of a unit to which something happens after a share of the time that the stage takes."""
    [seconds] = [end - begin for known, begin, end in undisturbed(unit).stages if known == stage]
    mishap = Mishap(name, stage, share * seconds, obeys=obeys)
    carried = carry_out(Run(part(unit), stand(), IDENTITY, {}), mounted(unit), mishap)
    assert carried.at is not None
    return carried


@pytest.mark.parametrize("stage", WET)
@pytest.mark.parametrize("name", LASTING)
def test_a_pump_that_is_torn_away_is_void(name: str, stage: str) -> None:
    assert disturbed("good-pump", name, stage).outcome.verdict.word is Word.VOID


@pytest.mark.parametrize("stage", [s for s in stages("module-return") if s in ("fill", "reopen", "free_flow")])
@pytest.mark.parametrize("name", [*LASTING, "return_off"])
def test_a_module_that_is_torn_away_does_not_fail(name: str, stage: str) -> None:
    word = disturbed("module-return", name, stage).outcome.verdict.word
    assert word is Word.VOID or (word is Word.PASS and name == "return_off")


@pytest.mark.parametrize("stage", WET)
@pytest.mark.parametrize("name", ["power_cut", "valve_opened", "valve_shut"])
@pytest.mark.parametrize("obeys", [True, False])
def test_what_a_hand_may_undo_fails_no_pump(name: str, stage: str, obeys: bool) -> None:
    word = disturbed("good-pump", name, stage, obeys=obeys).outcome.verdict.word
    assert word in ((Word.PASS, Word.VOID) if obeys or name != "power_cut" else (Word.VOID,))


@pytest.mark.parametrize("share", [0.02, 0.3, 0.9])
@pytest.mark.parametrize("name", ["unit_off", "hose_off", "valve_opened"])
def test_a_line_that_is_let_out_proves_nothing_of_a_check_valve(name: str, share: float) -> None:
    assert disturbed("high-pressure", name, "residual", share).outcome.verdict.word is Word.VOID


def test_a_lead_that_comes_off_in_the_dry_check_fails_no_pump() -> None:
    assert disturbed("good-pump", "lead_off", "dry_check", 0.6).outcome.verdict.word is Word.VOID
