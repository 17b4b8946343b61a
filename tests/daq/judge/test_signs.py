"""Signs: which subject and state a finding, a reading, a waveform or the end of a run gives, and in which words."""

import math

import numpy as np
import pytest

from daq.judge.finding import Finding, Result, judge
from daq.judge.requirement import Quantity, Requirement
from daq.judge.signs import FAR, HALF, NEAR, ODD, ODD_DOUBTS, SIGNS, SUPPLY_LOW, Sign, signs_of
from daq.measure.reading import Reading
from daq.measure.uncertainty import Component, combine
from daq.measure.waveform import Waveform


def reading(quantity: str, stage: str, value: float, *flags: str, U: float = 0.0) -> Reading:  # noqa: N803
    doubt = combine([Component.normal("calibration", U / 1.96)] if U else [])
    return Reading(quantity, stage, value, value, value, doubt, 20, 12.0, (1.0, 2.0), flags=flags)


def found(
    quantity: str, stage: str, value: float, low: float | None = None, high: float | None = None, **more: float
) -> Finding:
    asked = Requirement("limit", Quantity(quantity), stage.partition(".")[0], low, high)
    return judge(asked, reading(quantity, stage, value, **more), stage)


def of(*findings: Finding, ended: str = "", floor: float = 0.0, waves: dict[str, Waveform] | None = None) -> list[Sign]:
    read = [f.reading for f in findings if f.reading is not None]
    signs = signs_of(findings, read, waves or {}, ended=ended, current_floor=floor)
    assert {s.name for s in signs} <= SIGNS
    return [s for s in signs if s.name != "flow steady"]


def names(*findings: Finding, **more: object) -> list[str]:
    return [s.name for s in of(*findings, **more)]  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("quantity", "stage", "subjects"),
    [
        ("flow", "free_flow", ["flow"]),
        ("flow", "free_flow.2", ["flow"]),
        ("flow", "rated", ["curve"]),
        ("pressure", "rated", ["curve"]),
        ("pressure", "shutoff", ["shutoff"]),
        ("pressure", "throttle", ["shutoff"]),
        ("peak_pressure", "shutoff.2", ["shutoff"]),
        ("current", "free_flow", ["current", "open current"]),
        ("current", "shutoff", ["current"]),
        ("power", "free_flow", ["current", "open current"]),
        ("power", "rated", ["current"]),
        ("speed", "free_flow", ["speed"]),
        ("efficiency", "rated", ["efficiency"]),
        ("residual_pressure", "residual", ["residual"]),
        ("fill_time", "fill", ["fill"]),
        ("voltage", "free_flow", ["supply"]),
    ],
)
def test_what_a_quantity_in_a_stage_tells_of(quantity: str, stage: str, subjects: list[str]) -> None:
    assert names(found(quantity, stage, 1.5, low=1.0)) == [f"{s} ok" for s in subjects]
    assert names(found(quantity, stage, 0.5, low=1.0)) == [f"{s} low" for s in subjects]
    assert names(found(quantity, stage, 1.5, high=1.0)) == [f"{s} high" for s in subjects]


def test_of_a_band_the_nearer_limit_is_the_one_that_is_missed() -> None:
    assert names(found("pressure", "shutoff", 0.9, 1.0, 2.0)) == ["shutoff low"]
    assert names(found("pressure", "shutoff", 2.1, 1.0, 2.0)) == ["shutoff high"]
    assert names(found("pressure", "shutoff", 1.5, 1.0, 2.0)) == ["shutoff ok"]


def test_a_dry_check_that_is_met_says_that_the_motor_turns_and_nothing_more() -> None:
    assert names(found("current", "dry_check", 1.5, low=1.0)) == []
    assert names(found("current", "dry_check", 0.5, low=1.0)) == ["current low"]


@pytest.mark.parametrize(("times", "state"), [(FAR * 1.01, "far"), (FAR * 0.99, "high")])
def test_a_current_of_twice_its_limit_is_a_motor_that_stands(times: float, state: str) -> None:
    assert names(found("current", "shutoff", 7.0 * times, high=7.0)) == [f"current {state}"]
    assert names(found("speed", "free_flow", 7.0 * times, high=7.0)) == ["speed high"]


@pytest.mark.parametrize("flag", ["over_current", "trip_over_current"])
def test_a_current_that_ended_the_run_is_far_too_high_whatever_the_limit(flag: str) -> None:
    asked = Requirement("limit", Quantity.CURRENT, "shutoff", at_most=18.0)
    assert names(judge(asked, reading("current", "shutoff", 18.2, flag), "shutoff")) == ["current far"]


def test_a_flow_that_may_be_nothing_is_none() -> None:
    asked = Requirement("limit", Quantity.FLOW, "free_flow", at_least=1.0)
    for low, state in ((0.0, "none"), (0.1, "low")):
        bounded = Reading("flow", "free_flow", math.nan, low, 0.2, combine(()), 0, 0.0, (0.0, 9.0))
        assert names(judge(asked, bounded, "free_flow")) == [f"flow {state}"]


@pytest.mark.parametrize(
    ("value", "strength", "told"), [(1.0 + 0.9 * NEAR, HALF, "hardly met"), (1.0 + 1.1 * NEAR, 1.0, "met")]
)
def test_what_is_hardly_met_weighs_half(value: float, strength: float, told: str) -> None:
    [sign] = of(found("fill_time", "fill", value, low=1.0))
    assert (sign.name, sign.strength) == ("fill ok", strength)
    assert sign.said == f"fill: fill time {value:.4g} s, required at least 1 s: {told}"
    [above] = of(found("fill_time", "fill", 2.0 - value, high=1.0))
    assert (above.name, above.strength) == ("fill ok", strength)


def test_what_is_too_close_to_tell_weighs_half() -> None:
    [sign] = of(found("fill_time", "fill", 1.01, low=1.0, U=0.1))
    assert (sign.name, sign.strength) == ("fill low", HALF)
    assert sign.said == "fill: fill time 1.01 s, required at least 1 s: too close to tell"
    [missed] = of(found("fill_time", "fill", 0.5, low=1.0))
    assert (missed.strength, missed.said) == (1.0, "fill: fill time 0.5 s, required at least 1 s")


def test_a_subject_is_ok_only_where_nothing_on_it_is_amiss() -> None:
    low, ok = found("speed", "free_flow", 0.5, low=1.0), found("speed", "shutoff", 1.5, low=1.0)
    assert names(low, ok) == ["speed low"]
    hardly = found("speed", "shutoff", 1.0 + 0.5 * NEAR, low=1.0)
    assert [(s.name, s.strength) for s in of(found("speed", "free_flow", 1.5, low=1.0), hardly)] == [
        ("speed ok", HALF),
        ("speed ok", HALF),
    ]


def test_a_stage_that_was_not_reached_is_told_of_by_one_of_its_name_at_half_weight() -> None:
    asked = Requirement("limit", Quantity.PEAK_PRESSURE, "shutoff", at_least=1.0)
    missing = Finding(asked, "shutoff.2", None, Result.VOID)
    others = [reading("peak_pressure", "shutoff", 0.5), reading("peak_pressure", "throttle", 9.0)]
    [sign] = signs_of([missing], [*others, reading("current", "shutoff", 9.0)], {}, ended="", current_floor=0.0)
    assert (sign.name, sign.strength) == ("shutoff low", HALF)
    judged = judge(asked, reading("peak_pressure", "shutoff.2", 0.5), "shutoff.2")
    [own] = signs_of([missing, judged], others, {}, ended="", current_floor=0.0)
    assert own.strength == 1.0


def test_a_low_supply_a_missing_current_and_a_flow_that_held_still() -> None:
    read = [
        reading("current", "free_flow", 3.0, SUPPLY_LOW),
        reading("current", "shutoff", 0.14),
        reading("current", "throttle", 0.16),
        reading("flow", "free_flow.2", 120 / 3.6e6),
        reading("flow", "rated", 60 / 3.6e6),
    ]
    signs = signs_of([], read, {}, ended="", current_floor=0.15)
    assert [(s.name, s.strength, s.said) for s in signs] == [
        ("supply low", 1.0, "free flow: current 3 A, read under a supply below its tolerance"),
        ("current none", 1.0, "shutoff: current 0.14 A, as good as none"),
        ("flow steady", 1.0, "free flow 2: flow 120 L/h, and it held still"),
    ]


def wave(worst: float, doubt: float = 0.0) -> Waveform:
    heights = np.array([0.4] * 7 + [worst])
    return Waveform(900.0, 0.1, 20.0, 0.0, 112.5, 0.01, 8, heights, doubt, abs(worst - 0.4) / 0.4, 0.1, 0.02)


@pytest.mark.parametrize(
    ("worst", "doubt", "state"),
    [
        (0.4 * (1 - 1.01 * ODD), 0.0, "odd"),
        (0.4 * (1 + 1.01 * ODD), 0.0, "odd"),
        (0.4 * (1 - 0.99 * ODD), 0.0, "even"),
        (0.1, 0.29 / ODD_DOUBTS, "odd"),
        (0.1, 0.31 / ODD_DOUBTS, "even"),
    ],
)
def test_a_hump_that_is_off_the_others(worst: float, doubt: float, state: str) -> None:
    [sign] = of(waves={"free_flow.2": wave(worst, doubt)})
    assert (sign.name, sign.strength) == (f"waveform {state}", 1.0)
    assert sign.said == (f"free flow 2: waveform of the current, a hump of {worst:.4g} A where the usual one has 0.4 A")


@pytest.mark.parametrize(
    ("ended", "name", "said"),
    [
        ("flow not steady", "flow unsteady", "flow did not hold still until the stage's time was over"),
        ("current not steady", "current unsteady", "current did not hold still until the stage's time was over"),
        ("supply low", "supply low", "the run ended since the supply stayed below its tolerance"),
        ("not filled, supply low", "supply low", "the run ended since the supply stayed below its tolerance"),
    ],
)
def test_how_a_run_ended(ended: str, name: str, said: str) -> None:
    assert of(ended=ended) == [Sign(name, 1.0, said)]
