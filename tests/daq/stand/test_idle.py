"""The channels between runs."""

from typing import Any

import numpy as np
import pytest

from daq.stand import idle
from daq.stand.idle import Idle
from drivers.block import Role
from tests.daq.measure.blocks import CHANNELS, ROLES, Line, clipped, counts_of, identity


def levels(n: int = 25, **changed: float) -> Any:
    """Counts of so many scans at rest; a role's name changes its level."""
    at = dict.fromkeys(ROLES, 0.0) | {Role.FLUID_TEMPERATURE: 295.0}
    at |= {Role[name]: value for name, value in changed.items()}
    return clipped(counts_of({role: np.full(n, value) for role, value in at.items()}))


def test_a_step_comes_with_the_block_that_closes_it() -> None:
    line, bench = Line(), Idle(CHANNELS, identity())
    assert bench.feed(line.block(levels(10), [])) is None
    step = bench.feed(line.block(levels(25, PRESSURE=100e3), []))
    assert step is not None
    assert bench.last is step
    assert step.pressure == pytest.approx(60e3, rel=0.01)  # 15 of 25 scans


@pytest.mark.parametrize(("volts", "powered"), [(0.0, False), (2.8, False), (3.2, True), (13.5, True)])
def test_power_is_told_by_the_terminals(volts: float, powered: bool) -> None:
    line, bench = Line(), Idle(CHANNELS, identity())
    assert not bench.powered
    bench.feed(line.block(levels(SUPPLY_VOLTAGE=volts), []))
    assert bench.powered is powered


def test_nothing_is_kept_for_ever(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(idle, "RENEWED_S", 1.0)
    line, bench = Line(), Idle(CHANNELS, identity())
    kept, steps = [], 0
    for _ in range(200):  # ten seconds
        steps += bench.feed(line.block(levels(), [])) is not None
        kept.append(bench._measuring.trace.filled)
    assert max(kept) <= 550
    assert steps >= 195  # a renewal loses hardly one
