"""When a channel is no longer believed, by limits of time and size, each from both sides: on steps without a run."""

import math
from dataclasses import replace
from types import SimpleNamespace
from typing import cast

import numpy as np
import pytest

from daq.measure.channels import SteadyFloor
from daq.measure.convert import BITS, Column
from daq.measure.flow import Flow
from daq.measure.steps import Measuring, Step, Trace
from daq.procedure.belief import Belief
from tests.daq.measure.blocks import CHANNELS

HZ = 500
LSB = {Column.PRESSURE: 40.0, Column.VOLTAGE: 1e-3, Column.CURRENT: 2e-3}
CONVERTER = np.array([LSB.get(column, 1.0) for column in Column])
COARSER = replace(CHANNELS, floor=SteadyFloor(pressure=50.0, current=3e-3))
FLOOR, HALF = 0.15, 6.75
FLOWS, SILENT, UNKNOWN = Flow(3e-5, 3e-5, 3e-5), Flow(math.nan, 0.0, 1e-7, silent=True), Flow(math.nan, 0.0, 1e-5)
RUNS = Step(1, 10.0, 300e3, 13.5, 5.0, 295.0, 0.0, FLOWS, None, False, 0, 0, 300e3)
USUAL = {Column.PRESSURE: 300e3, Column.VOLTAGE: 13.5, Column.CURRENT: 5.0}


def made(channels: object = COARSER, **sigmas: float) -> tuple[Belief, Trace]:
    trace = Trace(HZ)
    scatter(trace, **sigmas)
    measuring = SimpleNamespace(trace=trace, converter=SimpleNamespace(lsb=CONVERTER))
    return Belief(cast(Measuring, measuring), channels, FLOOR, HALF), trace  # type: ignore[arg-type]


def scatter(trace: Trace, share: float = 1.0, **sigmas: float) -> None:
    """A second of samples; `sigmas` are in steps of the converter, `share` is that of the usual level."""
    values, rng = np.zeros((HZ, len(Column))), np.random.default_rng(3)
    for column, level in USUAL.items():
        noise = rng.standard_normal(HZ)
        noise = (noise - noise.mean()) / noise.std()
        values[:, column] = share * level + sigmas.get(column.name.lower(), 0.0) * LSB[column] * noise
    trace.append(values, 0.0, contiguous=True)


def still(**seconds: float) -> tuple[float, ...]:
    return tuple(seconds.get(column.name.lower(), 0.0) for column in Column)


def found(belief: Belief, *steps: Step, stage: str = "free_flow", on_for: float | None = 9.0) -> set[Column]:
    for step in steps:
        belief.feed(step, stage, on_for)
    return set(belief.wrong)


# What stands still although it should scatter.


@pytest.mark.parametrize(
    ("column", "value", "stuck"),
    [
        ("pressure", 0.95 * 40.0 / 0.002, False),
        ("pressure", 1.05 * 40.0 / 0.002, True),
        ("current", 0.95 * 2e-3 / 0.005, False),
        ("current", 1.05 * 2e-3 / 0.005, True),
    ],
)
def test_a_signal_must_move_whose_usual_scatter_is_a_step_of_its_converter(
    column: str, value: float, stuck: bool
) -> None:
    step = replace(RUNS, still=still(**{column: 2.0}), **{column: value})  # type: ignore[arg-type]
    assert found(made()[0], step) == ({Column[column.upper()]} if stuck else set())


@pytest.mark.parametrize(("seconds", "on_for"), [(1.95, 9.0), (5.0, 2.95)])
def test_it_has_two_seconds_and_a_second_to_run_up(seconds: float, on_for: float) -> None:
    step = replace(RUNS, still=still(pressure=seconds))
    assert found(made()[0], step, on_for=on_for) == set()
    later = replace(RUNS, still=still(pressure=seconds + 0.05))
    belief, _ = made()
    told = belief.feed(later, "free_flow", on_for + 0.05)
    assert told.faulty == belief.bits == BITS[Column.PRESSURE]
    assert belief.since == {Column.PRESSURE: pytest.approx(RUNS.t - seconds - 0.05)}
    assert belief.wrong == {Column.PRESSURE: "has stopped moving at all, which no signal of a running unit does"}


def test_what_stands_at_the_end_of_its_span_is_not_stuck() -> None:
    step = replace(RUNS, still=still(pressure=5.0))
    assert found(made()[0], replace(step, above=BITS[Column.PRESSURE])) == set()
    assert found(made()[0], replace(step, above=BITS[Column.CURRENT])) == {Column.PRESSURE}
    assert found(made()[0], step, on_for=None) == set()  # without power anything may stand still


@pytest.mark.parametrize(("floor", "stuck"), [(40.0, False), (41.0, True)])
def test_a_converter_coarser_than_what_counts_as_steady_cannot_tell(floor: float, stuck: bool) -> None:
    channels = replace(CHANNELS, floor=SteadyFloor(pressure=floor, current=3e-3))
    step = replace(RUNS, still=still(pressure=5.0))
    assert found(made(channels)[0], step) == ({Column.PRESSURE} if stuck else set())


@pytest.mark.parametrize(
    ("stage", "flow", "stuck"),
    [
        ("throttle", SILENT, True),
        ("shutoff.2", SILENT, True),
        ("free_flow", SILENT, False),
        ("throttle", UNKNOWN, False),
    ],
)
def test_a_pressure_that_has_not_moved_since_before_the_flow_ended(stage: str, flow: Flow, stuck: bool) -> None:
    low = replace(RUNS, pressure=5e3, number=2)
    for more, expected in ((-0.05, set()), (0.05, {Column.PRESSURE} if stuck else set())):
        after = replace(low, t=12.0, flow=flow, still=still(pressure=2.0 + 0.4 + more))
        assert found(made()[0], low, after, stage=stage) == expected


@pytest.mark.parametrize(("seconds", "stuck"), [(2.35, False), (2.45, True)])
def test_no_voltage_is_the_same_with_and_without_its_load(seconds: float, stuck: bool) -> None:
    ended = replace(RUNS, t=12.0, number=2, current=0.1, flow=UNKNOWN, pressure=0.0, still=still(voltage=seconds))
    assert found(made()[0], RUNS, ended) == ({Column.VOLTAGE} if stuck else set())
    assert found(made()[0], ended) == set()  # where nothing has run before
    other = replace(ended, still=still(pressure=seconds))
    assert found(made()[0], RUNS, other) == set()


# What has been seen to scatter.


@pytest.mark.parametrize("column", list(LSB))
@pytest.mark.parametrize(("sigma", "seconds", "stuck"), [(0.48, 0.5, False), (0.52, 0.35, False), (0.52, 0.45, True)])
def test_a_lively_channel_may_stand_still_for_less(column: Column, sigma: float, seconds: float, stuck: bool) -> None:
    """One whose samples scatter by half a step or more, while a running unit was watched for a second."""
    name = column.name.lower()
    belief, _ = made(**{name: sigma})
    assert found(belief, RUNS, on_for=2.0) == set()
    assert found(belief, replace(RUNS, still=still(**{name: seconds}))) == ({column} if stuck else set())


@pytest.mark.parametrize(("seconds", "stuck"), [(0.95, False), (1.05, True)])
def test_ten_times_the_longest_standstill_that_was_seen(seconds: float, stuck: bool) -> None:
    belief, _ = made(pressure=1.0)
    belief.feed(replace(RUNS, still=still(pressure=5.0)), "free_flow", 0.5)  # before the run-up is over: not counted
    belief.feed(RUNS, "free_flow", 0.9)
    for k in (0.1, 0.0, 0.05, 0.0):
        belief.feed(replace(RUNS, still=still(pressure=k)), "free_flow", 1.5)
    belief.feed(RUNS, "free_flow", 2.0)
    assert found(belief, replace(RUNS, still=still(pressure=seconds))) == ({Column.PRESSURE} if stuck else set())


def test_a_standstill_that_goes_on_teaches_nothing() -> None:
    """It may be the fault."""
    belief, _ = made(pressure=1.0)
    for k, on_for in ((0.1, 1.8), (0.2, 1.9), (0.3, 2.0)):
        belief.feed(replace(RUNS, still=still(pressure=k)), "free_flow", on_for)
    assert found(belief, replace(RUNS, still=still(pressure=0.45))) == {Column.PRESSURE}


@pytest.mark.parametrize(("current", "on_for"), [(0.14, 2.0), (5.0, 1.95)])
def test_only_a_unit_that_runs_for_long_enough_is_learnt_from(current: float, on_for: float) -> None:
    belief, trace = made(pressure=1.0)
    belief.feed(replace(RUNS, current=current), "free_flow", on_for)
    scatter(trace)  # what is learnt from once it does
    assert found(belief, replace(RUNS, still=still(pressure=0.5)), on_for=2.05) == set()


def test_what_scatters_at_rest_scatters_always() -> None:
    belief, _ = made(pressure=1.0, voltage=1.0)
    belief.rest(1.0)
    stuck = replace(RUNS, still=still(pressure=0.45, voltage=0.45))
    assert found(belief, replace(stuck, still=still(pressure=0.35)), on_for=0.3) == set()
    assert found(belief, stuck, on_for=0.3) == {Column.PRESSURE}  # a voltage's rest says nothing of it under power


# Scatter that has gone.


def looked(before: float, after: float, **more: object) -> set[Column]:
    """Pressure scatters by `before` steps of its converter, then by `after` while the valve closes, each for as long as
    is looked at."""
    options: dict[str, object] = {"stage": "free_flow", "after_entry": 2.0, "on_for": 9.0, "share": 1.0} | more
    belief, trace = made(pressure=before)
    stage, on_for = cast(str, options["stage"]), cast(float, options["on_for"])
    belief.feed(replace(RUNS, number=1), stage, 0.5)
    seen = RUNS.t + cast(float, options["after_entry"])
    belief.feed(replace(RUNS, number=5, t=seen), stage, on_for)
    scatter(trace, cast(float, options["share"]), pressure=after)
    found(belief, replace(RUNS, number=10, t=seen + 1.0), stage="throttle", on_for=on_for)
    if belief.wrong:
        assert belief.wrong == {Column.PRESSURE: "scatters far less than it did, as nothing that runs does"}
        assert belief.since == {Column.PRESSURE: pytest.approx(seen)}
    return set(belief.wrong)


@pytest.mark.parametrize(
    ("before", "after", "faded"),
    [
        (10.0, 2.8, True),
        (10.0, 3.3, False),
        (2.3, 0.2, True),
        (1.7, 0.2, False),
    ],
)
def test_a_channel_has_faded_that_scatters_by_less_than_a_third_of_before(
    before: float, after: float, faded: bool
) -> None:
    """Of at least two steps of the converter: less is the converter's own."""
    assert looked(before, after) == ({Column.PRESSURE} if faded else set())


@pytest.mark.parametrize(
    ("more", "faded"),
    [
        ({"after_entry": 1.95}, False),
        ({"stage": "throttle"}, False),
        ({"stage": "shutoff"}, True),
        ({"on_for": 1.95}, False),
        ({"share": 0.5}, False),
        ({"share": 2.0}, True),
    ],
)
def test_scatter_is_compared_at_rest_and_goes_with_the_signal(more: dict[str, object], faded: bool) -> None:
    """Two seconds into a stage in which the valve rests. At half the signal half the scatter is usual, at twice the
    signal no more than before."""
    assert looked(10.0, 2.0, **more) == ({Column.PRESSURE} if faded else set())


# A current that cannot be.


def for_a_second(belief: Belief, step: Step, on_for: float | None = 9.0) -> tuple[set[Column], set[Column]]:
    """What is found just before a second is over, and then."""
    for k in range(20):
        belief.feed(replace(step, t=step.t + 0.05 * k), "free_flow", on_for)
    return set(belief.wrong), found(belief, replace(step, t=step.t + 1.0001), on_for=on_for)


PUMPS = replace(RUNS, current=0.14)


@pytest.mark.parametrize(
    ("step", "on_for", "wrong"),
    [
        (PUMPS, 9.0, True),
        (replace(PUMPS, current=-0.14), 9.0, True),
        (replace(PUMPS, flow=UNKNOWN), 9.0, True),
        (replace(PUMPS, flow=UNKNOWN, pressure=0.0), 9.0, False),
        (replace(PUMPS, current=0.15), 9.0, False),
        (replace(PUMPS, voltage=6.7), 9.0, False),
        (replace(PUMPS, voltage=6.75), 9.0, True),
        (PUMPS, None, False),
    ],
)
def test_no_current_for_a_second_beside_a_unit_that_pumps(step: Step, on_for: float | None, wrong: bool) -> None:
    belief, _ = made()
    assert for_a_second(belief, step, on_for) == (set(), {Column.CURRENT} if wrong else set())
    if wrong:
        assert belief.wrong == {Column.CURRENT: "shows none although the unit pumps"}
        assert belief.since == {Column.CURRENT: step.t}


ENDS = replace(RUNS, voltage=6.7, above=BITS[Column.CURRENT])


@pytest.mark.parametrize(
    ("step", "on_for", "wrong"),
    [
        (ENDS, None, True),
        (ENDS, 9.0, False),
        (replace(ENDS, voltage=6.75), None, False),
        (replace(ENDS, above=BITS[Column.PRESSURE]), None, False),
    ],
)
def test_a_current_beyond_its_span_for_a_second_without_power(step: Step, on_for: float | None, wrong: bool) -> None:
    belief, _ = made()
    assert for_a_second(belief, step, on_for) == (set(), {Column.CURRENT} if wrong else set())
    if wrong:
        assert belief.wrong == {Column.CURRENT: "is beyond its span although power is off"}


@pytest.mark.parametrize(("step", "on_for"), [(PUMPS, 9.0), (ENDS, None)])
def test_a_second_begins_anew_where_it_was_interrupted(step: Step, on_for: float | None) -> None:
    belief, _ = made()
    assert for_a_second(belief, step, on_for)[0] == set()
    belief, _ = made()
    belief.feed(step, "free_flow", on_for)
    belief.feed(replace(RUNS, t=step.t + 0.9), "free_flow", 9.0)
    assert found(belief, replace(step, t=step.t + 1.1), on_for=on_for) == set()
