"""The window of a reading stage: when it opens, what closes it, and how often it is looked at."""

import math
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from daq.measure.convert import BITS, Column
from daq.measure.flow import Flow, FlowStep, driving
from daq.measure.steps import Step
from daq.procedure.plan import Reading as Settings
from daq.procedure.watch import BESIDE_S, SMALL_S, Watch

SETTINGS = Settings(settle=0.6, window=1.0, looks=3)
TOLERANCES = {"pressure": 2e3, "flow": 3e-7}
SILENT = Flow(math.nan, 0.0, 5e-7, silent=True)


def steady(n: int, first: int = 0, seed: int = 3) -> list[Step]:
    rng = np.random.default_rng(seed)
    steps = []
    for k in range(first, first + n):
        t, flow = 0.05 * (k + 1), Flow(*[3e-5 + 1e-8 * rng.standard_normal()] * 3)
        p = 400e3 + 200 * rng.standard_normal()
        steps.append(Step(k, t, p, 13.5, 5.0, 295.0, 0.0, flow, FlowStep(t - 0.005, flow, flow.value), False, 0, 0, p))
    return steps


def watch(tolerances: dict[str, float] = TOLERANCES, **lsb: float) -> Watch:
    return Watch(tolerances, SETTINGS, lsb)


def looks(made: Watch, steps: list[Step], fit: bool = True) -> list[float]:
    """When looks were due."""
    return [step.t for step in steps if made.feed(step, fit)]


def test_looks_come_at_multiples_of_the_shortest_window() -> None:
    made = watch()
    due = looks(made, steady(100))
    assert np.diff(due) == pytest.approx(1.0)
    assert made.looks == len(due) >= 3
    assert made.exhausted


def test_the_looks_are_had_after_as_many_as_are_set_and_not_before() -> None:
    made = watch()
    counted = [(made.looks, made.exhausted) for step in steady(120) if made.feed(step, fit=True)]
    assert counted[:4] == [(1, False), (2, False), (3, True), (4, True)]


def test_a_window_knows_when_it_must_not_grow_any_more() -> None:
    made = watch()
    at_longest = [made.at_longest for step in steady(100) if made.feed(step, fit=True)]
    assert at_longest[:3] == [False, False, True]


def test_a_window_holds_what_came_after_everything_was_steady() -> None:
    made, steps = watch(), steady(60)
    due = next(step for step in steps if made.feed(step, fit=True))
    window = made.window()
    assert window[-1] is due
    assert [s.number for s in window] == list(range(window[0].number, due.number + 1))
    assert len(window) == 20  # one second
    assert window[0].t > SETTINGS.settle


@pytest.mark.parametrize(
    "change", [{"lost": True}, {"faulty": BITS[Column.PRESSURE]}], ids=["lost scans", "a faulty channel"]
)
def test_what_spoils_a_window_begins_it_anew(change: dict[str, int]) -> None:
    made, steps = watch(), steady(100)
    undisturbed = looks(watch(), steps)[0]
    at = round(undisturbed / 0.05) - 3
    steps[at] = replace(steps[at], **change)  # type: ignore[arg-type]
    due = looks(made, steps)
    assert due[0] > undisturbed + 1.0
    assert made.window()[0].t > steps[at].t


def test_a_fault_of_a_channel_that_nobody_named_is_nothing_here() -> None:
    steps = [replace(s, faulty=BITS[Column.CURRENT]) for s in steady(100)]
    assert looks(watch(), steps) == looks(watch(), steady(100))


def test_conditions_that_are_not_fit_keep_it_shut() -> None:
    made = watch()
    assert looks(made, steady(100), fit=False) == []
    assert not made.begun


def test_looks_are_counted_over_windows_that_were_spoilt() -> None:
    made, steps = watch(), steady(400)
    for k in range(60, 400, 45):
        steps[k] = replace(steps[k], lost=True)
    counted = [(made.looks, made.exhausted) for step in steps if made.feed(step, fit=True)]
    assert counted[:4] == [(1, False), (2, False), (3, True), (4, True)]


def test_a_channel_that_moves_keeps_it_shut() -> None:
    steps = [replace(s, pressure=s.pressure + 20e3 * s.t) for s in steady(100)]
    assert looks(watch(), steps) == []


def test_a_flow_that_is_silent_holds_still() -> None:
    steps = [replace(s, flow=SILENT, flow_step=None) for s in steady(60)]
    assert looks(watch(), steps)


def test_a_flow_that_is_only_bounded_does_not() -> None:
    bounded = Flow(math.nan, 0.0, 1e-5)
    steps = [replace(s, flow=bounded, flow_step=None) for s in steady(100)]
    made = watch()
    assert looks(made, steady(40)) != []
    assert looks(made, [replace(s, t=s.t + 2.0) for s in steps]) == []
    assert not made.begun


def test_a_stage_that_names_nothing_is_steady_at_once() -> None:
    assert looks(watch({}), steady(25))[0] == pytest.approx(1.05)


def test_a_coarse_converter_is_no_proof_of_stillness() -> None:
    """With a step that is coarse against what counts as still, a constant count takes longer to say so."""
    flat = [replace(s, pressure=400e3 + 10 * (k % 2)) for k, s in enumerate(steady(120))]
    tight = {"pressure": 500.0}
    fine, coarse = (looks(watch(tight, pressure=lsb), flat)[0] for lsb in (1.0, 3e3))
    assert coarse > fine + 0.5


def test_what_was_steady_before_the_stage_is_read_at_once_and_never_back_dated() -> None:
    made, steps = watch(), steady(60)
    for step in steps[:30]:
        made.listen(step)
    assert not made.begun
    due = next(step for step in steps[30:] if made.feed(step, fit=True))
    assert made.window()[0].number == 31  # the step after the one that found all steady within the stage
    assert due.t == pytest.approx(steps[30].t + SETTINGS.window)


@pytest.mark.parametrize("spoilt", [{"lost": True}, {"faulty": BITS[Column.PRESSURE]}])
def test_listening_starts_anew_where_a_step_is_spoilt(spoilt: dict[str, bool | int]) -> None:
    made, steps = watch(), steady(60)
    for k, step in enumerate(steps[:30]):
        made.listen(replace(step, **spoilt) if k == 29 else step)  # type: ignore[arg-type]
    made.feed(steps[30], fit=True)
    assert not made.begun


def of_unequal_vanes(n: int, lag: float, seconds: float = 0.06, off: float = 0.012) -> list[Step]:
    """Steps of a constant flow through a meter whose edges are late or early at random; its lag is taken out again."""
    rng = np.random.default_rng(5)
    late = off * seconds * rng.standard_normal(n + 1)
    shown = 3e-5 * seconds / (seconds + np.diff(late))
    driven = [math.nan, *(driving(lag, seconds, a, b) for a, b in pairwise(shown.tolist()))]
    steps = []
    for k, (value, drive) in enumerate(zip(shown.tolist(), driven, strict=True)):
        t, flow = seconds * (k + 1), Flow(value, value, value)
        step = Step(
            k, t, 0.0, 13.5, 5.0, 295.0, 0.0, flow, FlowStep(t + float(late[k + 1]), flow, drive), False, 0, 0, 0.0
        )
        steps.append(step)
    return steps


@pytest.mark.parametrize("lag", [0.05, 0.15, 0.3])
def test_unequal_vanes_of_a_lagging_meter_do_not_hide_that_the_flow_is_steady(lag: float) -> None:
    """To take out a lag of 0.3 s from steps of 0.06 s amplifies the vanes' errors seven times."""
    made = Watch({"flow": 0.0075 * 3e-5}, SETTINGS, {})
    due = looks(made, of_unequal_vanes(200, lag))
    assert due
    assert due[0] < 6.0


@pytest.mark.parametrize("lag", [0.05, 0.3])
def test_a_flow_that_drifts_is_not_steady_as_the_meter_shows_it(lag: float) -> None:
    """1.5 % a window, twice the tolerance."""
    made = Watch({"flow": 0.0075 * 3e-5}, SETTINGS, {})
    for k, step in enumerate(of_unequal_vanes(200, lag, off=0.004)):
        assert step.flow_step is not None
        drift = 1.0 + 0.015 * step.t / SETTINGS.settle
        flow = Flow(*[step.flow.value * drift] * 3)
        moved = replace(step.flow_step, flow=flow, driving=step.flow_step.driving * drift)
        made.feed(replace(step, flow=flow, flow_step=moved), fit=True)
        assert not made.begun, k


def ticking(seconds: float, first: float = 0.0) -> list[Step]:
    """A meter that ticks below the first point of its table."""
    small = Flow(math.nan, 0.0, 1e-5)
    steps = steady(round(seconds / 0.05))
    return [replace(s, t=s.t + first, flow=small, flow_step=FlowStep(s.t + first, small, math.nan)) for s in steps]


def test_a_flow_below_the_table_is_steady_once_it_stayed_there() -> None:
    assert looks(watch(), ticking(12.0))[0] == pytest.approx(SMALL_S + 1.0, abs=0.11)


def test_a_flow_that_is_small_for_a_moment_is_not_steady() -> None:
    """A unit that cavitates: three seconds below the table, then one above, again and again."""
    steps: list[Step] = []
    for k in range(6):
        steps += ticking(3.0, 4.0 * k)
        steps += [replace(s, t=s.t + 4.0 * k + 3.0) for s in steady(20, seed=k)]
    assert looks(watch({"flow": 3e-7}), steps) == []


# What nothing is required of.


def drifting(steps: list[Step], per_second: float) -> list[Step]:
    """The same with a flow that falls."""
    moved = []
    for s in steps:
        flow = Flow(*[s.flow.value - per_second * s.t] * 3)
        moved.append(replace(s, flow=flow, flow_step=FlowStep(s.t - 0.005, flow, flow.value)))
    return moved


def test_a_channel_that_nothing_is_required_of_holds_a_window_up_for_a_while_only() -> None:
    steps = drifting(steady(200), 1e-6)
    needed, beside = watch(), Watch(TOLERANCES, SETTINGS, {}, beside={"flow"})
    assert looks(needed, steps) == []
    due = looks(beside, steps)
    rested = looks(Watch({"pressure": 2e3}, SETTINGS, {}), steps)
    assert due[0] - rested[0] == pytest.approx(BESIDE_S, abs=0.11)
    assert np.diff(due) == pytest.approx(1.0)
    assert beside.restless == {"flow"}
    assert beside.unsteady == ""


def test_one_that_comes_to_rest_meanwhile_is_waited_for_and_no_longer() -> None:
    steps = [*drifting(steady(24), 1e-6), *steady(120, first=24)]
    made, alone = Watch(TOLERANCES, SETTINGS, {}, beside={"flow"}), Watch({"pressure": 2e3}, SETTINGS, {})
    opened = next(s.t for s in steps if not made.feed(s, fit=True) and made.begun)
    assert looks(alone, steps)[0] - SETTINGS.window < opened < 24 * 0.05 + BESIDE_S
    assert made.restless == frozenset()


def test_the_wait_begins_anew_with_whatever_spoils_the_window() -> None:
    made = Watch(TOLERANCES, SETTINGS, {}, beside={"flow"})
    looks(made, drifting(steady(80), 1e-6))
    assert made.begun
    made.restart()
    later = drifting(steady(160, first=80), 1e-6)
    opened = next(s.t for s in later if not made.feed(s, fit=True) and made.begun)
    assert opened - later[0].t >= BESIDE_S


def test_what_is_required_is_waited_for_whatever_lies_beside_it() -> None:
    made = Watch(TOLERANCES, SETTINGS, {}, beside={"pressure"})
    assert looks(made, drifting(steady(200), 1e-6)) == []
    assert made.unsteady == "flow"


def test_a_look_that_was_asked_for_comes_once_and_the_others_stay_where_they_are() -> None:
    made, undisturbed = watch(), looks(watch(), steady(100))
    asked, due = undisturbed[0] + 0.4, []
    for step in steady(100):
        if made.feed(step, fit=True):
            due.append(step.t)
            if len(due) == 1:
                made.ask(asked)
    assert due == pytest.approx(sorted([*undisturbed, asked]))
    assert made.looks == len(due)


def test_a_look_that_was_asked_for_goes_with_its_window() -> None:
    made, steps = watch(), steady(100)
    begun = looks(made, steps[:40])[0]
    made.ask(begun + 1.5)
    made.restart()
    assert all(t >= 2.0 + SETTINGS.settle + SETTINGS.window - 1e-6 for t in looks(made, steps[40:]))
