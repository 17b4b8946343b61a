"""The channels between runs."""

from typing import Any

import numpy as np
import pytest

from daq.stand import idle
from daq.stand.errors import RefusedError
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


def test_no_zero_without_rest_and_none_beyond_its_limit() -> None:
    line, bench = Line(), Idle(CHANNELS, identity())
    with pytest.raises(RefusedError, match="found no scans yet") as refusal:
        bench.take_zero()
    assert refusal.value.reasons == ("not_at_rest",)
    for _ in range(60):  # three seconds
        bench.feed(line.block(levels(), []))
    with pytest.raises(RefusedError, match=r"expected 5 s without power.*found .* kPa"):
        bench.take_zero()
    for _ in range(180):
        bench.feed(line.block(levels(PRESSURE=60e3), []))
    with pytest.raises(RefusedError, match="the pressure at rest lies beyond its zero_limit") as refusal:
        bench.take_zero()
    assert refusal.value.reasons == ("zero_shift",)


def test_after_a_zero_was_taken_steps_are_given_against_it() -> None:
    line, bench = Line(), Idle(CHANNELS, identity())
    for _ in range(120):
        bench.feed(line.block(levels(PRESSURE=2e3), []))
    zero = bench.take_zero()
    assert zero.pressure == pytest.approx(2e3, rel=0.1)
    step = bench.feed(line.block(levels(PRESSURE=2e3), []))
    assert step is not None
    assert abs(step.pressure) < 50
    bench.feed(line.block(levels(SUPPLY_VOLTAGE=13.5), []))
    with pytest.raises(RefusedError, match="not at rest"):
        bench.take_zero()
