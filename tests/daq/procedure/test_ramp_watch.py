"""What is seen of pressure while a valve moves: rate, level and steepness, on lines whose answers are known."""

import math
from dataclasses import replace

import pytest

from daq.measure.convert import BITS, Column
from daq.measure.flow import UNKNOWN, Flow
from daq.measure.steps import STEP_S, Step
from daq.procedure.ramp_watch import FORGET, GAP_S, LATE, MEMORY, SLOPE, STANDING, Watch, believable

FLOWS = Flow(3e-5, 3e-5, 3e-5)
STEP = Step(0, 0.0, 300e3, 13.5, 5.0, 295.0, 0.0, FLOWS, None, False, 0, 0, 300e3)


def fed(rate: float, speed: float, steps: int = 40, made: Watch | None = None, first: float = 0.0) -> Watch:
    """Pressure that rises by `rate` (Pa/s) while the valve travels down by `speed` (1/s)."""
    made = made or Watch()
    for k in range(steps):
        t = first + k * STEP_S
        made.feed(replace(STEP, t=t, pressure=300e3 + rate * t), 1.0 - speed * t)
    return made


@pytest.mark.parametrize("rate", [-20e3, 0.0, 50e3])
def test_a_straight_line_is_seen_as_it_is(rate: float) -> None:
    made = fed(rate, 0.1)
    assert made.rate == pytest.approx(rate, abs=1e-6)
    newest = 300e3 + rate * 39 * STEP_S
    assert made.soon == pytest.approx(newest)
    assert made.pressure == pytest.approx(newest - rate * 0.5 * (MEMORY - 1) * STEP_S)
    assert made.gap == pytest.approx(STEP_S)


@pytest.mark.parametrize(("rate", "speed"), [(50e3, 0.1), (20e3, 0.25), (-50e3, -0.1)], ids=str)
def test_steepness_is_the_change_of_pressure_for_the_travel_made_whichever_way(rate: float, speed: float) -> None:
    assert fed(rate, speed).steepness == pytest.approx(rate / speed)


def test_pressure_that_falls_while_the_valve_closes_shows_no_steepness() -> None:
    assert fed(-50e3, 0.1).steepness == 0.0
    assert fed(50e3, -0.1).steepness == 0.0


@pytest.mark.parametrize(("speed", "seen"), [(0.9 * STANDING, False), (1.1 * STANDING, True), (-1.1 * STANDING, True)])
def test_a_valve_that_stands_shows_no_steepness(speed: float, seen: bool) -> None:
    assert (fed(math.copysign(5e3, speed), speed).steepness > 0.0) is seen


def test_pressure_answers_to_where_the_valve_was_told_to_be_some_steps_ago() -> None:
    """The valve stands but for its first steps; pressure rises in the newest ones only."""
    made = Watch()
    for k in range(MEMORY):
        moved, late = min(k, SLOPE - 1), max(k - LATE, 0)
        made.feed(replace(STEP, t=k * STEP_S, pressure=300e3 + 100.0 * late), 1.0 - 0.01 * moved)
    assert made.rate == pytest.approx(100.0 / STEP_S)
    assert made.steepness == pytest.approx(100.0 / 0.01)


def test_it_says_nothing_before_it_has_seen_enough() -> None:
    made = Watch()
    told = [made.feed(replace(STEP, t=k * STEP_S), 1.0) for k in range(MEMORY + 2)]
    assert told == [False] * (MEMORY - 1) + [True] * 3


@pytest.mark.parametrize(("gap", "goes_on"), [(0.99 * GAP_S, True), (1.01 * GAP_S, False)])
def test_steps_far_apart_begin_it_again(gap: float, goes_on: bool) -> None:
    made = fed(50e3, 0.1, steps=MEMORY)
    last = (MEMORY - 1) * STEP_S
    assert made.feed(replace(STEP, t=last + gap), 0.9) is goes_on
    assert made.gap == (pytest.approx(gap) if goes_on else 0.0)


def test_time_that_stands_still_is_passed_over_and_time_that_goes_back_begins_it_again() -> None:
    made = fed(50e3, 0.1, steps=MEMORY)
    last = (MEMORY - 1) * STEP_S
    assert not made.feed(replace(STEP, t=last), 0.5)
    assert made.gap == 0.0
    assert made.feed(replace(STEP, t=last + STEP_S), 0.9)
    assert not made.feed(replace(STEP, t=0.0), 0.9)


def test_what_cannot_be_believed_begins_it_again() -> None:
    made = fed(50e3, 0.1)
    assert not made.feed(replace(STEP, t=40 * STEP_S, faulty=BITS[Column.PRESSURE]), 0.5)
    assert not made.feed(replace(STEP, t=41 * STEP_S), 0.5)


def test_steepness_forgets_with_each_step_and_all_of_it_when_told() -> None:
    """By hand: after n steps of one steepness and one of none, with the valve as quick, w·s/(w + 1) is left, where the
    steps before weigh w = Σ FORGET^k for k from 1 to n."""
    made = fed(50e3, 0.1, steps=40)
    before, steps = made.steepness, 40 - MEMORY + 1
    newest = [300e3 + 50e3 * k * STEP_S for k in range(40)][-SLOPE:]
    made.feed(replace(STEP, t=40 * STEP_S, pressure=newest[-1] - 50e3 * STEP_S * (SLOPE - 1)), 1.0 - 0.1 * 40 * STEP_S)
    weight = FORGET * (1.0 - FORGET**steps) / (1.0 - FORGET)
    assert made.steepness == pytest.approx((before * weight + made.rate / 0.1) / (weight + 1.0))
    assert made.steepness < before
    made.forget()
    assert made.steepness == 0.0


@pytest.mark.parametrize(
    ("change", "believed"),
    [
        ({}, True),
        ({"faulty": BITS[Column.PRESSURE]}, False),
        ({"faulty": BITS[Column.CURRENT]}, True),
        ({"pressure": math.nan}, False),
        ({"pressure": math.inf}, False),
        ({"t": math.nan}, False),
        ({"flow": UNKNOWN}, True),
        ({"flow": Flow(math.nan, 0.0, 1e-6)}, True),
        ({"flow": Flow(math.nan, 0.0, math.nan)}, False),
        ({"flow": Flow(math.nan, math.nan, 1e-6)}, False),
    ],
)
def test_what_is_believed(change: dict[str, object], believed: bool) -> None:
    assert believable(replace(STEP, **change)) is believed  # type: ignore[arg-type]
