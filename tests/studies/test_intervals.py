"""Short runs of the study of intervals: on stands that differ they hold, and no factor is out of proportion."""

import numpy as np
import pytest

from daq.judge.requirement import Mode
from tests.studies.intervals import MODES, Held, examined, readings


def short(mode: Mode, stands: range, earlier: int = 0) -> list[Held]:
    found = []
    for number in stands:
        _, outcome, truths = examined(1, mode, number, earlier)
        found += [held for _, held in readings(outcome, truths)]
    return found


@pytest.mark.parametrize("mode", MODES)
def test_intervals_hold_on_stands_that_differ(mode: Mode) -> None:
    """Four stands in their first run: far too few for 95 %, enough to see a factor of 5 or an error of 3 u."""
    found = short(mode, range(4))
    assert len(found) >= 20
    assert np.mean([h.held for h in found]) >= 0.8
    assert np.quantile([h.factor for h in found], 0.9) <= 2.4
    assert 0.4 <= np.sqrt(np.mean([h.error**2 for h in found])) <= 1.6


def test_what_a_stand_showed_before_is_used() -> None:
    found = short(Mode.DECIDE, range(1), earlier=2)
    assert {h.runs for h in found if h.quantity == "flow"} == {2}
