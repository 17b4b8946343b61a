"""The channels between runs."""

from typing import Any

import numpy as np
import pytest

from daq.stand import idle
from daq.stand.errors import RefusedError
from daq.stand.idle import Idle
from drivers.block import UNKNOWN_VALVE, Input, Role, Status, Trip
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
    bench.opened()
    zero = bench.take_zero()
    assert zero.pressure == pytest.approx(2e3, rel=0.1)
    step = bench.feed(line.block(levels(PRESSURE=2e3), []))
    assert step is not None
    assert abs(step.pressure) < 50
    bench.feed(line.block(levels(SUPPLY_VOLTAGE=13.5), []))
    with pytest.raises(RefusedError, match="not at rest"):
        bench.take_zero()


def at_rest(pressure: float, **more: bool) -> tuple[Line, Idle]:
    """A stand that has been at rest at a pressure for 6 s."""
    line, bench = Line(), Idle(CHANNELS, identity(), **more)
    for _ in range(120):
        bench.feed(line.block(levels(PRESSURE=pressure), []))
    return line, bench


def status(valve: int, *, moving: bool = False) -> Status:
    return Status(1, 0, False, moving, True, True, False, valve, 0, Input(0), Trip.NONE, 0, 0, 0)


def test_a_steady_pressure_is_no_zero_while_nothing_shows_the_line_open() -> None:
    line, bench = at_rest(3e3)
    with pytest.raises(RefusedError, match="nothing shows that the line is open") as refusal:
        bench.take_zero()
    assert refusal.value.reasons == ("line_not_open",)
    bench.opened()  # a person has opened it only now: the rest was not that of an open line
    bench.feed(line.block(levels(PRESSURE=0.0), []))
    with pytest.raises(RefusedError, match="not at rest"):
        bench.take_zero()
    for _ in range(220):
        bench.feed(line.block(levels(PRESSURE=0.0), []))
    assert abs(bench.take_zero().pressure) < 300.0


@pytest.mark.parametrize(
    ("said", "taken"),
    [
        (status(10_000), True),
        (status(0), False),
        (status(5_000), False),
        (status(10_000, moving=True), False),
        (status(UNKNOWN_VALVE), False),
    ],
)
def test_the_devices_word_on_the_valve_counts(said: Status, taken: bool) -> None:
    line, bench = Line(), Idle(CHANNELS, identity())
    for _ in range(120):
        bench.status(said)
        bench.feed(line.block(levels(PRESSURE=1e3), []))
    if taken:
        assert bench.take_zero().pressure == pytest.approx(1e3, abs=200)
    else:
        with pytest.raises(RefusedError):
            bench.take_zero()


def test_a_line_that_is_vented_was_opened_and_one_that_leaks_was_not() -> None:
    for seconds, opens in ((0.1, True), (4.0, False)):
        line, bench = at_rest(100e3)
        fall = round(seconds / 0.05)
        for k in range(1, fall + 1):
            bench.feed(line.block(levels(PRESSURE=100e3 * (1 - k / fall)), []))
        assert bench.line_open is opens
        for _ in range(120):
            bench.feed(line.block(levels(PRESSURE=1e3), []))
        assert bench.line_open is opens
        bench.feed(line.block(levels(PRESSURE=9e3), []))
        assert not bench.line_open  # what rises is held by something


def test_a_line_that_was_shown_open_stays_so() -> None:
    _, bench = at_rest(1e3, opened=True)
    assert bench.take_zero().taken
