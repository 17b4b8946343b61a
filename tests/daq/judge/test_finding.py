"""The decision rule: its table row by row, and what must hold for every reading and every limit."""

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daq.judge.finding import Result, beyond_looks, conformity, judge
from daq.judge.requirement import Mode, Quantity, Requirement
from daq.measure.reading import Reading, evidence
from daq.measure.uncertainty import Component, Shape, combine

MET, NOT, OPEN, VOID = Result.MET, Result.NOT_MET, Result.UNDECIDED, Result.VOID


def value(y: float, u: float = 1.0) -> Reading:
    """A reading with rectangular half-width √3·u: U = 0.95·√3·u, about 1.645 u."""
    doubt = combine([Component("all", Shape.RECTANGULAR, u)])
    return Reading("flow", "free_flow", y, y, y, doubt, 40, 40.0, (0.0, 2.0))


def between(low: float, high: float, *flags: str) -> Reading:
    return Reading(
        "flow", "free_flow", math.nan, low, high, combine(()), 0, 0.0, (0.0, 2.0), flags=("interval", *flags)
    )


def limit(at_least: float | None = None, at_most: float | None = None, guard: float = 1.0) -> Requirement:
    return Requirement("limit", Quantity.FLOW, "free_flow", at_least, at_most, guard=guard)


def found(requirement: Requirement, reading: Reading | None) -> Result:
    return judge(requirement, reading, "free_flow").result


U = value(0.0).combined.U


@pytest.mark.parametrize(
    ("requirement", "y", "result"),
    [
        (limit(at_least=100), 100 + 1.001 * U, MET),
        (limit(at_least=100), 100 + 0.999 * U, OPEN),
        (limit(at_least=100), 100, OPEN),
        (limit(at_least=100), 100 - 0.999 * U, OPEN),
        (limit(at_least=100), 100 - 1.001 * U, NOT),
        (limit(at_most=100), 100 - 1.001 * U, MET),
        (limit(at_most=100), 100 - 0.999 * U, OPEN),
        (limit(at_most=100), 100 + 0.999 * U, OPEN),
        (limit(at_most=100), 100 + 1.001 * U, NOT),
        (limit(90, 110), 100, MET),
        (limit(90, 110), 90.5, OPEN),
        (limit(90, 110), 109.5, OPEN),
        (limit(90, 110), 80, NOT),
        (limit(90, 110), 120, NOT),
        (limit(at_least=100, guard=0), 100, MET),
        (limit(at_least=100, guard=0), 99.999, NOT),
        (limit(at_most=100, guard=0), 100, MET),
        (limit(at_most=100, guard=0), 100.001, NOT),
        (limit(at_least=100, guard=2), 100 + 1.5 * U, OPEN),
        (limit(at_least=100, guard=0.5), 100 + 0.6 * U, MET),
    ],
)
def test_every_row(requirement: Requirement, y: float, result: Result) -> None:
    assert found(requirement, value(y)) is result


def test_a_band_narrower_than_the_uncertainty_is_never_met() -> None:
    assert found(limit(99.9, 100.1), value(100.0)) is OPEN


def test_a_band_fails_by_one_side_although_the_other_is_open() -> None:
    """A wide reading may be undecided at the lower limit and still lie above the upper one."""
    assert found(limit(100.0, 100.5), value(100.5 + 1.01 * U)) is NOT


@pytest.mark.parametrize(
    ("requirement", "reading", "result"),
    [
        (limit(at_least=10), between(0, 5), NOT),
        (limit(at_least=5), between(0, 5), OPEN),
        (limit(at_least=3), between(0, 5), OPEN),
        (limit(at_least=0), between(0, 5), MET),
        (limit(at_most=5), between(0, 5), MET),
        (limit(at_most=3), between(0, 5), OPEN),
        (limit(at_most=3), between(4, 5), NOT),
        (limit(1, 4), between(0, 5), OPEN),
        (limit(at_least=10), between(0, math.inf), OPEN),
        (limit(at_most=10), between(0, math.inf), OPEN),
    ],
)
def test_an_interval_is_judged_by_its_ends(requirement: Requirement, reading: Reading, result: Result) -> None:
    assert found(requirement, reading) is result
    assert found(replace(requirement, guard=3.0), reading) is result
    assert judge(requirement, reading, "free_flow").p_conform is None


def test_no_reading_is_void() -> None:
    finding = judge(limit(at_least=1), None, "free_flow")
    assert (finding.result, finding.p_conform, finding.clear) == (VOID, None, False)


def test_a_flow_above_the_meters_table_is_no_reading() -> None:
    assert found(limit(at_least=1), between(300, math.inf, "above_table")) is VOID


def test_a_requirement_without_a_limit_finds_nothing() -> None:
    assert found(limit(), value(1.0)) is VOID


def test_evidence_of_too_much_is_not_met() -> None:
    assert found(limit(at_most=7), evidence("free_flow", "current", 18.1, (1, 1), "over_current")) is NOT


@pytest.mark.parametrize(("y", "p"), [(100.0, 0.5), (100.0 + math.sqrt(3), 1.0), (100.0 - math.sqrt(3), 0.0)])
def test_probability_of_a_rectangle(y: float, p: float) -> None:
    assert conformity(limit(at_least=100), value(y)) == pytest.approx(p, abs=2e-3)


readings = st.builds(value, st.floats(-1e3, 1e3), st.floats(1e-3, 1e2))
limits = st.builds(
    lambda low, width, guard: limit(low, low + width, guard),
    st.floats(-1e3, 1e3),
    st.floats(1e-3, 1e3),
    st.floats(0.0, 3.0),
)
one_sided = st.builds(lambda low, guard: limit(at_least=low, guard=guard), st.floats(-1e3, 1e3), st.floats(0.0, 3.0))


@given(st.one_of(limits, one_sided), readings)
def test_a_wider_guard_band_only_takes_findings_back(requirement: Requirement, reading: Reading) -> None:
    narrow, wide = found(requirement, reading), found(replace(requirement, guard=requirement.guard + 0.7), reading)
    assert wide in (narrow, OPEN)


@given(st.one_of(limits, one_sided), readings, st.sampled_from([-8, -3, 5, 10]))
def test_units_never_change_a_finding(requirement: Requirement, reading: Reading, power: int) -> None:
    """Everything times a power of two, which rounds nothing: the finding and its probability stay."""
    scale = 2.0**power
    scaled = value(reading.value * scale, reading.combined.u * scale)
    ends = [None if x is None else x * scale for x in (requirement.at_least, requirement.at_most)]
    before = judge(requirement, reading, "free_flow")
    after = judge(replace(requirement, at_least=ends[0], at_most=ends[1]), scaled, "free_flow")
    assert after.result is before.result
    assert after.p_conform == pytest.approx(before.p_conform, abs=1e-9)


@given(readings, st.floats(-1e3, 1e3), st.floats(0.0, 3.0))
def test_at_least_and_at_most_are_mirror_images(reading: Reading, at: float, guard: float) -> None:
    mirrored = value(-reading.value, reading.combined.u)
    assert found(limit(at_least=at, guard=guard), reading) is found(limit(at_most=-at, guard=guard), mirrored)


@given(st.one_of(limits, one_sided), readings)
def test_the_probability_agrees_with_the_finding(requirement: Requirement, reading: Reading) -> None:
    finding = judge(replace(requirement, guard=1.0), reading, "free_flow")
    assert finding.p_conform is not None
    assert 0.0 <= finding.p_conform <= 1.0
    if finding.result is MET:
        assert finding.p_conform >= 0.949
    if finding.result is NOT:
        assert finding.p_conform <= 0.026


def scattering(y: float, scatter: float) -> Reading:
    """A reading with a systematic half-width of 10 and a mean of many values with a standard error of `scatter`."""
    doubt = combine([Component.rectangular("all", 10.0), Component("scatter", Shape.STUDENT, scatter, dof=1e6)])
    return Reading("flow", "free_flow", y, y, y, doubt, 40, 40.0, (0.0, 2.0))


@pytest.mark.parametrize(
    ("distance", "scatter", "beyond"),
    [(2.0, 1.0, True), (7.0, 1.0, True), (8.0, 1.0, False), (2.0, 3.0, True), (4.0, 3.0, False), (0.0, 5.0, False)],
)
@pytest.mark.parametrize("side", [1.0, -1.0])
def test_further_looks_are_worth_it_while_the_mean_may_still_move_out_of_what_is_known_anyway(
    distance: float, scatter: float, beyond: bool, side: float
) -> None:
    """Systematic doubts alone hide 9.5 about the limit (95 % of the half-width), and chance moves the mean by 1.96 of
    its standard error."""
    finding = judge(limit(at_least=100.0), scattering(100.0 + side * distance, scatter), "free_flow")
    assert finding.result is OPEN
    assert beyond_looks(finding) is beyond


def test_of_a_band_the_nearer_limit_counts() -> None:
    wide = limit(100.0, 150.0)
    assert beyond_looks(judge(wide, scattering(102.0, 1.0), "free_flow"))
    assert beyond_looks(judge(wide, scattering(148.0, 1.0), "free_flow"))


def test_what_is_clear_void_or_an_interval_is_not_beyond_looks() -> None:
    assert not beyond_looks(judge(limit(at_least=100.0), value(100.0 + 2 * U), "free_flow"))
    assert not beyond_looks(judge(limit(at_least=100.0), None, "free_flow"))
    assert not beyond_looks(judge(limit(at_least=3), between(0, 5), "free_flow"))


def test_the_words_of_records_and_messages() -> None:
    """They are stored and published: another word would be another contract."""
    assert [r.value for r in Result] == ["met", "not_met", "undecided", "void"]
    assert [m.value for m in Mode] == ["decide", "report"]
    assert {q.name.lower() for q in Quantity} == {q.value for q in Quantity}


@pytest.mark.parametrize("flag", ["above_table", "few_steps"])
def test_a_reading_that_holds_for_nothing_is_kept_and_void(flag: str) -> None:
    reading = between(0.0, math.inf, flag)
    finding = judge(limit(at_least=1), reading, "free_flow.2")
    assert (finding.result, finding.stage, finding.reading, finding.p_conform) == (VOID, "free_flow.2", reading, None)
    assert judge(limit(at_least=1), between(0.0, math.inf, "no_zero"), "free_flow.2").result is OPEN
