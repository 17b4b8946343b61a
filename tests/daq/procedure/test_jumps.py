"""A step in one channel alone is found, and only that: each limit from both sides, on means without physics.

The limits are the module's own; what is held here is that each means what it says.
"""

import math
from collections.abc import Callable, Sequence
from itertools import islice, repeat

import pytest

from daq.measure.flow import Flow
from daq.measure.steps import Step
from daq.procedure.jumps import AFTER, BEFORE, COMPANIONS, GAP, LEAST, RESTING, SIGNIFICANT, Jumps
from daq.procedure.table import Valve

USUAL = {"pressure": 300e3, "voltage": 13.5, "current": 5.0, "flow": 3e-5}
SAMPLES = 25
JUMP = 0.04
BELOW, ABOVE = 0.95, 1.05
Shape = Callable[[str], Sequence[float]]
"""By channel, what each step's mean is times the usual."""

CHANNELS = [(valve, name) for valve, channels in COMPANIONS.items() for name in channels]
BESIDE = [
    (v, name, other) for v, channels in COMPANIONS.items() for name, others in channels.items() for other in others
]


def step_of(number: int, factors: dict[str, float]) -> Step:
    p, v, c, q = (factors.get(name, 1.0) * usual for name, usual in USUAL.items())
    return Step(number, 0.05 * number, p, v, c, 293.0, 0.0, Flow(q, q, q), None, False, 0, 0, p)


def said(shapes: dict[str, Sequence[float]], valve: Valve | None = Valve.OPEN, **more: object) -> list[str]:
    """What each step gave; channels without a shape stay as they are."""
    lsb = more.pop("lsb", {})
    jumps = Jumps(lsb, SAMPLES)  # type: ignore[arg-type]  # the resolution by channel
    steps = [step_of(n, dict(zip(shapes, at, strict=True))) for n, at in enumerate(zip(*shapes.values(), strict=True))]
    return [jumps.feed(step, valve, **({"fit": True} | more)) for step in steps]  # type: ignore[arg-type]


def jumped(by: float, before: Sequence[float] = (1.0,), after: Sequence[float] = (1.0,)) -> list[float]:
    """Just so many steps as are compared; by the logarithm `by` higher in those after. Both lists go round."""
    first = [before[k % len(before)] for k in range(BEFORE + GAP)]
    return first + [math.exp(by) * after[k % len(after)] for k in range(AFTER)]


def verdict(shape: Sequence[float], name: str = "pressure", **more: object) -> str:
    return said({name: shape}, **more)[-1]  # type: ignore[arg-type]


@pytest.mark.parametrize("sign", [1.0, -1.0])
@pytest.mark.parametrize(("valve", "name"), CHANNELS)
def test_a_channel_that_jumps_alone_is_named(valve: Valve, name: str, sign: float) -> None:
    assert verdict(jumped(sign * ABOVE * LEAST[name]), name, valve=valve) == name
    assert verdict(jumped(sign * BELOW * LEAST[name]), name, valve=valve) == ""


@pytest.mark.parametrize("sign", [1.0, -1.0])
@pytest.mark.parametrize(("valve", "name", "other"), BESIDE)
def test_another_channel_that_goes_with_it_speaks_for_the_unit(
    valve: Valve, name: str, other: str, sign: float
) -> None:
    share = COMPANIONS[valve][name][other]
    for times, expected in ((BELOW, name), (ABOVE, "")):
        shapes = {name: jumped(JUMP), other: jumped(sign * times * share * JUMP)}
        assert said(shapes, valve)[-1] == expected


@pytest.mark.parametrize(("valve", "name", "other"), BESIDE)
def test_one_that_moves_by_more_than_half_as_much_always_does(valve: Valve, name: str, other: str) -> None:
    """A voltage is then the one that has jumped alone, where no flow goes with it."""
    assert said({name: jumped(0.021), other: jumped(0.6 * 0.021)}, valve)[-1] in {"", "voltage"} - {name}


@pytest.mark.parametrize(("valve", "name", "other"), BESIDE)
def test_so_does_one_that_scatters_too_much_to_tell(valve: Valve, name: str, other: str) -> None:
    """Three standard errors are what a companion may have moved by unseen."""
    share = COMPANIONS[valve][name][other]
    for times, expected in ((BELOW, name), (ABOVE, "")):
        s = times * share * JUMP / 3.0 / ERROR
        shapes = {name: jumped(JUMP), other: jumped(0.0, *(2 * [[1.0 + s, 1.0 - s]]))}
        assert said(shapes, valve)[-1] == expected


@pytest.mark.parametrize("valve", COMPANIONS)
def test_what_moves_as_physics_has_it_is_the_units(valve: Valve) -> None:
    """The open line's pressure goes with the square of flow, a motor's current with what it pumps against."""
    for by in (-0.3, 0.3):
        weaker = {"pressure": jumped(2.0 * by), "flow": jumped(by), "current": jumped(0.5 * by)}
        assert set(said(weaker, valve)) == {""}


ERROR = math.sqrt(1.0 / 9.0 + 1.0 / 5.0)
"""The standard error of a jump by the scatter of means that go up and down by 1: (n/(n − 1))/n for n of 10 and 6."""


@pytest.mark.parametrize(("times", "expected"), [(BELOW, "pressure"), (ABOVE, "")])
def test_a_jump_stands_out_of_scatter(times: float, expected: str) -> None:
    s = times * JUMP / SIGNIFICANT / ERROR
    assert verdict(jumped(JUMP, [1.0 + s, 1.0 - s], [1.0 + s * math.exp(-JUMP), 1.0 - s * math.exp(-JUMP)])) == expected


@pytest.mark.parametrize(("times", "expected"), [(BELOW, "pressure"), (ABOVE, "")])
def test_a_jump_lies_between_two_times_of_rest(times: float, expected: str) -> None:
    """What drifts before or after it is on its way of itself."""
    drift = times * JUMP / RESTING
    drifting_before = [1.0] * (BEFORE // 2) + [1.0 + drift] * (BEFORE // 2 + GAP)
    drifting_after = [1.0] * (AFTER // 2) + [1.0 + drift] * (AFTER // 2)
    assert verdict(jumped(JUMP + math.log1p(drift / 2), drifting_before)) == expected
    assert verdict(jumped(JUMP - math.log1p(drift / 2), after=drifting_after)) == expected


@pytest.mark.parametrize("name", ["pressure", "voltage", "current"])
@pytest.mark.parametrize(("times", "named"), [(BELOW, True), (ABOVE, False)])
def test_a_change_by_the_converters_own_steps_is_none(name: str, times: float, named: bool) -> None:
    """With scatter to see between its steps one and a half of them; a mean that does not move at all is anywhere
    within a π-th of a step, before and after (the first term of the quantiser's Fourier series)."""
    step = times * JUMP / 1.5
    s = 0.1 * step  # of means of 25 samples, so that samples scatter by half a step
    lively = jumped(JUMP, *(2 * [[1.0 + s, 1.0 - s]]))
    assert verdict(lively, name, lsb={name: step * USUAL[name]}, valve=Valve.OPEN) == (name if named else "")
    still = times * JUMP / SIGNIFICANT / (2.0 / math.pi)
    assert verdict(jumped(JUMP), name, lsb={name: still * USUAL[name]}) == (name if named else "")


def test_a_signal_that_is_lost_is_no_jump() -> None:
    for sign in (-1.0, 1.0):
        assert verdict(jumped(sign * 2.9)) == "pressure"
        assert verdict(jumped(sign * 3.1)) == ""
    assert verdict(jumped(0.0, after=[0.0])) == ""
    assert verdict(jumped(0.0, before=[-1.0])) == ""


def test_a_jump_is_told_while_it_lies_in_the_gap() -> None:
    """As soon as all the steps after it have jumped, until two of those before have."""
    levels = [*islice(repeat(1.0), 2 * BEFORE), *islice(repeat(1.1), 2 * BEFORE)]
    told = said({"pressure": levels})
    assert [n for n, name in enumerate(told) if name] == [2 * BEFORE + AFTER - 1 + k for k in range(GAP + 2)]


@pytest.mark.parametrize(("valve", "passed_over"), [(Valve.OPEN, True), (Valve.SHUT, False)])
def test_while_a_hand_may_still_open_the_valve_pressure_alone_says_nothing(valve: Valve, passed_over: bool) -> None:
    assert verdict(jumped(-0.1), valve=valve, turned=True) == ("" if passed_over else "pressure")
    assert verdict(jumped(-0.1), "voltage", valve=valve, turned=True) == "voltage"


@pytest.mark.parametrize("valve", [None, Valve.BETWEEN])
def test_nothing_is_told_where_the_valve_need_not_be_at_an_end(valve: Valve | None) -> None:
    assert set(said({"pressure": jumped(0.1)}, valve)) == {""}


@pytest.mark.parametrize("how", ["a gap", "not fit", "on its way"])
def test_what_lies_before_an_interruption_counts_for_nothing(how: str) -> None:
    jumps = Jumps({}, SAMPLES)
    levels = jumped(0.1)
    for n, level in enumerate(levels[:-AFTER]):
        assert jumps.feed(step_of(n, {"pressure": level}), Valve.OPEN, fit=True) == ""
    n = len(levels) - AFTER
    late = 1 if how == "a gap" else 0
    if how == "not fit":
        assert jumps.feed(step_of(n, {}), Valve.OPEN, fit=False) == ""
        late = 1
    if how == "on its way":
        assert jumps.feed(step_of(n, {}), Valve.BETWEEN, fit=True) == ""
        late = 1
    for k in range(2 * AFTER):
        assert jumps.feed(step_of(n + late + k, {"pressure": 1.1}), Valve.OPEN, fit=True) == ""
