"""What comes and goes in a stage, and what only comes."""

import math
from collections.abc import Callable

import pytest

from daq.measure.flow import Flow, FlowStep
from daq.measure.steps import Step
from daq.procedure.calm import AWAY_S, CALM_S, LULLS, NO_FLOW_YET, RUN_UP_S, Calm
from tests.daq.measure.blocks import LITRES_PER_HOUR
from tests.daq.procedure.test_watch import SILENT

NAMES = ("flow", "pressure", "current")
Level = Callable[[float], float]


def made(t: float, share: float) -> Step:
    """A step with so much of the full flow, its pressure and its current with it."""
    flow = 120 * LITRES_PER_HOUR * share
    stated = Flow(flow, flow, flow) if share else SILENT
    closed = FlowStep(t, stated, flow) if share else None
    p, i = 12e3 * share * share, 5.0 * (1.0 - 0.06 * (1.0 - share))
    return Step(round(t / 0.05), t, p, 13.5, i, 295.0, 0.0, stated, closed, False, 0, 0, p)


def told(level: Level, seconds: float, names: tuple[str, ...] = NAMES, unfit: str = "") -> tuple[Calm, list[Step]]:
    """A stage of so many seconds, and its last second as the window."""
    calm, steps = Calm(names, {}), [made(0.05 * (k + 1), level(0.05 * (k + 1))) for k in range(round(seconds / 0.05))]
    for step in steps:
        calm.feed(step, unfit or (NO_FLOW_YET if step.flow.silent and step.t > 0.5 else ""))
    return calm, steps[-20:]


def test_a_sound_unit_is_calm_from_its_first_window_on() -> None:
    calm, window = told(lambda _t: 1.0, 1.8)
    assert calm.turns(window) == ""
    assert calm.lasts(window) == pytest.approx(1.75)
    assert calm.unbroken(window)


@pytest.mark.parametrize("seconds", [3.0, 8.0])
def test_what_comes_from_below_primes(seconds: float) -> None:
    calm, window = told(lambda t: min(0.3 + 0.7 * t / (seconds - 1.2), 1.0), seconds)
    assert calm.turns(window) == ""


def test_flow_that_was_higher_has_fallen() -> None:
    for after in (1.2, CALM_S - 0.2):
        calm, window = told(lambda t: 1.0 if t < 3.0 else 0.7, 3.0 + after)
        assert calm.turns(window) == "flow"
        assert calm.lasts(window) == pytest.approx(after, abs=0.3)
        assert not calm.unbroken(window)
    calm, window = told(lambda t: 1.0 if t < 3.0 else 0.7, 3.0 + CALM_S + 0.3)
    assert calm.turns(window) == ""


def test_a_lull_must_outlast_those_before() -> None:
    """Two seconds of calm between slugs of one second: then four are needed."""
    assert LULLS * 2.0 > CALM_S

    def slugs(t: float) -> float:
        return 0.6 if t < 9.5 and t % 3.0 < 1.0 else 1.0

    calm, window = told(slugs, 7.0 + 1.9)
    assert calm.turns(window) == "flow"
    calm, window = told(slugs, 10.0 + LULLS * 2.0 - 0.8)
    assert calm.turns(window) == "flow"
    calm, window = told(slugs, 10.0 + LULLS * 2.0 + 0.5)
    assert calm.turns(window) == ""


@pytest.mark.parametrize("name", ["pressure", "current"])
def test_pressure_and_current_tell_of_air_too(name: str) -> None:
    """A meter that is too slow to follow shows a mean of it."""
    calm, window = told(lambda t: 0.6 if 4.0 < t < 5.0 else 1.0, 6.5, (name,))
    assert calm.turns(window) == name
    calm, window = told(lambda t: 0.6 if 4.0 < t < 5.0 else 1.0, 5.0 + LULLS * 3.0 + 0.3, (name,))
    assert calm.turns(window) == ""


def test_a_slug_in_which_nothing_flows_is_a_turn() -> None:
    calm, window = told(lambda t: 0.0 if 4.0 < t < 5.5 else 1.0, 7.2)
    assert calm.turns(window) == "flow"


def test_the_run_up_is_none() -> None:
    calm, window = told(lambda t: 1.5 if t < RUN_UP_S else 1.0, 2.5)
    assert calm.turns(window) == ""


def test_what_another_state_of_the_stand_showed_is_forgotten() -> None:
    calm = Calm(NAMES, {})
    steps = [made(0.05 * (k + 1), 1.0 if k < 60 else 0.6) for k in range(130)]
    for step in steps:
        calm.feed(step, "valve not open" if 3.0 < step.t <= 3.1 + AWAY_S else "")
    assert calm.turns(steps[-20:]) == ""
    calm = Calm(NAMES, {})
    for step in steps[:100]:
        calm.feed(step, "valve not open" if 3.0 < step.t < 2.9 + AWAY_S else "")  # a moment changes nothing
    assert calm.turns(steps[80:100]) == "flow"


def test_scatter_and_the_converters_step_are_no_turns() -> None:
    coarse = [made(0.05 * (k + 1), 1.0 + 0.04 * (-1) ** (k // 5)) for k in range(120)]
    calm = Calm(("pressure",), {"pressure": 1.5e3})
    for step in coarse:
        calm.feed(step, "")
    assert calm.turns(coarse[-20:]) == ""


def test_a_stage_that_looks_at_nothing_is_calm_for_ever() -> None:
    calm, window = told(lambda t: 1.0 + 0.5 * math.sin(t), 5.0, ())
    assert (calm.turns(window), calm.lasts(window)) == ("", math.inf)
    assert Calm(NAMES, {}).lasts(window) == 0.0
