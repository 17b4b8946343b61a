"""Hints: which signs make which causes, how they are ranked, and that nothing is judged by them.

What goes with what is common practice, no source.
"""

import copy
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from daq.judge.causes import CAUSES, Cause
from daq.judge.finding import Finding, Result, judge
from daq.judge.hints import LEAST_SCORE, MOST, Hint, hints, score_of
from daq.judge.requirement import Quantity, Requirement
from daq.judge.signs import SIGNS, SUPPLY_LOW, signs_of
from daq.judge.verdict import verdict
from daq.measure.reading import Reading, evidence
from daq.measure.uncertainty import Component, combine
from daq.measure.waveform import Waveform
from daq.procedure.findings import LOW_FLAG

STATES = {
    "low": (0.8, Result.NOT_MET),
    "hardly": (1.0, Result.UNDECIDED),
    "ok": (1.2, Result.MET),
}
"""What a reading may be, as a share of the least required, and what is found then."""
LEAST = {
    ("flow", "free_flow"): 110 / 3.6e6,
    ("peak_pressure", "shutoff"): 520e3,
    ("speed", "free_flow"): 110.0,
    ("current", "free_flow"): 3.0,
    ("residual_pressure", "residual"): 300e3,
    ("efficiency", "rated"): 0.2,
}
MOST_ALLOWED = {("current", "free_flow"): 7.0, ("current", "shutoff"): 8.0, ("fill_time", "fill"): 30.0}


def reading(quantity: str, stage: str, value: float, *flags: str) -> Reading:
    doubt = combine([Component.normal("calibration", 0.005 * abs(value))])
    return Reading(quantity, stage, value, value, value, doubt, 20, 12.0, (1.0, 2.0), flags=flags)


def least(quantity: str, stage: str, state: str, numbered: str = "") -> Finding:
    """A finding on a least value that is missed, hardly met or met."""
    at_least = LEAST[quantity, stage]
    asked = Requirement(f"{quantity} in {stage}", Quantity(quantity), stage, at_least=at_least)
    share, result = STATES[state]
    found = judge(asked, reading(quantity, numbered or stage, share * at_least), numbered or stage)
    assert found.result is result
    return found


def most(quantity: str, stage: str, share: float) -> Finding:
    """A finding on a greatest value, `share` of which is read."""
    limit = MOST_ALLOWED[quantity, stage]
    asked = Requirement(f"most {quantity} in {stage}", Quantity(quantity), stage, at_most=limit)
    return judge(asked, reading(quantity, stage, share * limit), stage)


def waveform(*heights: float) -> Waveform:
    made = np.array(heights)
    typical = float(np.median(made))
    odd = float(np.abs(made - typical).max()) / typical
    return Waveform(900.0, 0.1, 20.0, 0.0, 112.5, 0.01, 8, made, 0.003, odd, 0.1, 0.02)


def of(*findings: Finding, **more: object) -> tuple[Hint, ...]:
    read = tuple(f.reading for f in findings if f.reading is not None)
    return hints(findings, read, more.pop("waveforms", {}), **{"current_floor": 0.15, **more})  # type: ignore[arg-type]


def first(*findings: Finding, **more: object) -> str:
    return of(*findings, **more)[0].cause


FLOW_LOW, FLOW_OK = least("flow", "free_flow", "low"), least("flow", "free_flow", "ok")
SHUT_LOW, SHUT_OK = least("peak_pressure", "shutoff", "low"), least("peak_pressure", "shutoff", "ok")
DRAWS_OK, DRAWS_MUCH = most("current", "free_flow", 0.5), most("current", "free_flow", 1.2)
NO_FLOW = judge(
    FLOW_LOW.requirement,
    Reading("flow", "free_flow", math.nan, 0.0, 1e-6, combine(()), 0, 0.0, (0.0, 9.0), flags=("interval", "no_flow")),
    "free_flow",
)


@pytest.mark.parametrize(
    ("findings", "cause"),
    [
        ((FLOW_LOW, SHUT_OK, DRAWS_OK), "strainer"),
        ((FLOW_LOW, SHUT_OK), "strainer"),
        ((FLOW_OK, SHUT_LOW, DRAWS_OK), "relief valve opens too early"),
        ((FLOW_LOW, SHUT_LOW, DRAWS_OK), "worn pump"),
        ((FLOW_OK, DRAWS_MUCH, least("speed", "free_flow", "low")), "bearing drag"),
        ((FLOW_LOW, SHUT_OK, DRAWS_OK, least("speed", "free_flow", "low")), "worn brushes"),
        ((NO_FLOW, DRAWS_OK), "lost prime"),
        ((most("current", "free_flow", 2.5),), "rotor seized"),
        ((most("fill_time", "fill", 1.5),), "the jet"),
        ((FLOW_OK, SHUT_OK, least("residual_pressure", "residual", "low")), "check valve"),
    ],
)
def test_what_goes_together(findings: tuple[Finding, ...], cause: str) -> None:
    assert first(*findings).startswith(cause)


def test_low_flow_and_pressure_and_little_current_may_be_air() -> None:
    """Wear takes head and flow at the same load; air takes the load too, and makes flow swing."""
    thin = least("current", "free_flow", "low")
    assert any(h.cause.startswith("air") for h in of(FLOW_LOW, SHUT_LOW, thin))
    assert first(SHUT_LOW, thin, ended="flow not steady").startswith("air")


def test_a_blocked_outlet_loads_the_motor_with_the_valve_open() -> None:
    causes = [h.cause for h in of(FLOW_LOW, SHUT_OK, DRAWS_MUCH)]
    assert any(c.startswith("outlet") for c in causes[:2])
    assert not any(c.startswith("outlet") for c in (h.cause for h in of(FLOW_LOW, SHUT_OK, DRAWS_OK)))


def test_over_pressure_that_ended_a_run_speaks_for_a_valve_that_sticks() -> None:
    asked = Requirement("limit pressure", Quantity.PRESSURE, "throttle", at_most=950e3, guard=0.0)
    over = judge(asked, evidence("throttle", "pressure", 960e3, (9.0, 9.0), "over_pressure"), "throttle")
    assert first(FLOW_OK, over).startswith("relief valve sticks")


def test_no_current_is_an_open_circuit() -> None:
    asked = Requirement("turns", Quantity.CURRENT, "dry_check", at_least=0.3, at_most=7.0)
    [hint] = of(judge(asked, reading("current", "dry_check", 0.05), "dry_check"))
    assert hint.cause.startswith("open circuit")


def test_a_current_over_the_stands_limit_speaks_for_a_seized_rotor_whatever_the_limit() -> None:
    asked = Requirement("limit current", Quantity.CURRENT, "free_flow", at_most=18.0, guard=0.0)
    over = judge(asked, evidence("free_flow", "current", 18.2, (3.0, 3.0), "over_current"), "free_flow")
    assert first(over).startswith("rotor seized")


def test_a_module_has_a_regulator_where_a_pump_has_a_relief_valve() -> None:
    assert first(FLOW_OK, SHUT_LOW, module=True).startswith("pressure regulator opens too early")


@pytest.mark.parametrize(
    ("heights", "odd"),
    [((0.4,) * 8, False), ((0.4,) * 7 + (0.3,), False), ((0.4,) * 7 + (0.04,), True), ((0.4,) * 7 + (-2.8,), True)],
)
def test_an_odd_hump_is_told_on_a_pass_too(heights: tuple[float, ...], odd: bool) -> None:
    found = of(FLOW_OK, SHUT_OK, waveforms={"free_flow": waveform(*heights)})
    assert [h.cause.partition(" of")[0] for h in found] == ["bad segment"] * odd


def test_a_hump_lost_in_its_own_doubt_is_not_odd() -> None:
    assert of(FLOW_OK, waveforms={"free_flow": waveform(*(0.01,) * 7, 0.02)}) == ()
    assert len(of(FLOW_OK, waveforms={"free_flow": waveform(*(0.1,) * 7, 0.2)})) == 1


def test_a_supply_that_sags_says_nothing_about_the_unit() -> None:
    assert SUPPLY_LOW == LOW_FLAG
    sagging = judge(DRAWS_OK.requirement, reading("current", "free_flow", 3.1, LOW_FLAG), "free_flow")
    for found in (of(sagging), of(ended="supply low"), of(ended="not filled, supply low")):
        assert [h.cause.partition(",")[0] for h in found] == ["the stand"]


@pytest.mark.parametrize("ended", ["not steady", "valve not open", "power off", "over-current", ""])
def test_other_ends_of_a_run_say_nothing(ended: str) -> None:
    assert of(FLOW_OK, ended=ended) == ()


def test_statements_name_their_reading_and_what_was_required() -> None:
    [hint] = [h for h in of(SHUT_LOW, FLOW_OK, DRAWS_OK) if h.cause.startswith("relief")]
    assert hint.for_ == (
        "shutoff: peak pressure 416 kPa, required at least 520 kPa",
        "free flow: flow 132 L/h, required at least 110 L/h: met",
        "free flow: current 3.5 A, required at most 7 A: met",
    )
    second = least("flow", "free_flow", "hardly", "free_flow.2")
    [hint] = [h for h in of(SHUT_LOW, second) if h.cause.startswith("relief")]
    assert hint.against == ("free flow 2: flow 110 L/h, required at least 110 L/h: too close to tell",)


def test_without_a_limit_a_reading_says_nothing() -> None:
    assert of() == ()
    unasked = reading("current", "free_flow", 12.0)
    assert hints((FLOW_LOW, SHUT_OK), (unasked,), {}) == hints((FLOW_LOW, SHUT_OK), (), {})


def test_what_is_too_close_to_tell_weighs_half() -> None:
    clear, close = of(FLOW_LOW, SHUT_OK)[0], of(least("flow", "free_flow", "hardly"), SHUT_OK)[0]
    assert clear.cause == close.cause
    assert clear.score - close.score == pytest.approx(0.5)


def test_what_is_hardly_met_contradicts_by_half() -> None:
    """A motor that labours and still keeps its limit on current is no proof of a free shaft."""
    slow = least("speed", "free_flow", "low")
    close = most("current", "free_flow", 0.96)
    assert close.result is Result.MET
    assert not any(h.cause.startswith("bearing drag") for h in of(slow, DRAWS_OK))
    in_range = most("current", "shutoff", 0.5)
    [drag] = [h for h in of(slow, close, in_range) if h.cause.startswith("bearing drag")]
    assert drag.score == pytest.approx(0.5)
    assert drag.against[0] == "free flow: current 6.72 A, required at most 7 A: hardly met"


def test_inside_a_narrow_band_nothing_is_hardly_met() -> None:
    asked = Requirement("regulated", Quantity.PEAK_PRESSURE, "shutoff", at_least=380e3, at_most=420e3)
    regulated = judge(asked, reading("peak_pressure", "shutoff", 390e3), "shutoff")
    assert of(FLOW_LOW, regulated)[0].score == of(FLOW_LOW, SHUT_OK)[0].score


def test_a_stage_that_was_not_reached_is_told_of_by_an_earlier_one() -> None:
    """A module that never fills has no second shutoff; its first one tells that the pump itself is sound."""
    asked = SHUT_OK.requirement
    missing = Finding(asked, "shutoff.2", None, Result.VOID)
    slow = most("fill_time", "fill", 1.2)
    assert slow.reading is not None
    earlier = reading("peak_pressure", "shutoff", 600e3)
    [hint] = hints((slow, missing), (slow.reading, earlier), {}, module=True)
    assert hint.for_[-1] == "shutoff: peak pressure 600 kPa, required at least 520 kPa: met"


def test_the_table_uses_only_signs_that_there_are() -> None:
    used = {s for c in CAUSES for s in (*c.speaks, *c.contradicts, *(n for group in c.needs for n in group))}
    assert used <= SIGNS
    assert all(not c.speaks.keys() & c.contradicts.keys() for c in CAUSES)
    assert len({c.name for c in CAUSES}) == len(CAUSES)


@pytest.mark.parametrize("cause", CAUSES, ids=lambda c: c.name.split(",")[0])
def test_what_a_cause_needs_speaks_for_it(cause: Cause) -> None:
    """So that no cause is thought of without a statement behind it, and none is there that can never be hinted at."""
    assert cause.needs
    for group in cause.needs:
        assert group <= cause.speaks.keys()
    weakest = {min(group, key=lambda s: cause.speaks[s]): 1.0 for group in cause.needs}
    assert score_of(cause, weakest) >= LEAST_SCORE


judged = st.one_of(
    st.sampled_from([least(*place, state) for place in LEAST for state in STATES]),
    st.sampled_from([most(*place, share) for place in MOST_ALLOWED for share in (0.5, 1.0, 1.2, 2.5)]),
    st.just(NO_FLOW),
    st.sampled_from([Finding(f.requirement, f.stage, None, Result.VOID) for f in (FLOW_OK, SHUT_OK)]),
)
waves = st.sampled_from([{}, {"free_flow": waveform(*(0.4,) * 8)}, {"free_flow": waveform(*(0.4,) * 7, 0.0)}])
ends = st.sampled_from(["", "flow not steady", "pressure not steady", "supply low", "over-current"])


@given(st.lists(judged, max_size=8), waves, ends, st.booleans())
def test_whatever_was_found_hints_are_few_ranked_and_founded(
    findings: list[Finding], waveforms: dict[str, Waveform], ended: str, module: bool
) -> None:
    found = of(*findings, waveforms=waveforms, ended=ended, module=module)
    assert len(found) <= MOST
    assert [h.rank for h in found] == list(range(1, len(found) + 1))
    scores = [h.score for h in found]
    assert scores == sorted(scores, reverse=True)
    assert all(h.score >= LEAST_SCORE and h.for_ for h in found)
    said = {s.said for s in signs_of(findings, readings_of(findings), waveforms, ended=ended, current_floor=0.15)}
    assert all(said.issuperset((*h.for_, *h.against)) for h in found)
    assert all(not set(h.for_) & set(h.against) for h in found)


@given(st.lists(judged, max_size=8), waves, ends)
def test_hints_change_nothing_that_a_verdict_is_made_of(
    findings: list[Finding], waveforms: dict[str, Waveform], ended: str
) -> None:
    before, kept = verdict(findings, cut_short=ended), copy.deepcopy([(f.result, f.p_conform) for f in findings])
    of(*findings, waveforms=waveforms, ended=ended)
    assert verdict(findings, cut_short=ended) == before
    assert [(f.result, f.p_conform) for f in findings] == kept


@given(st.lists(judged, max_size=8), st.sampled_from([{}, {"free_flow": waveform(*(0.4,) * 8)}]))
def test_where_all_is_met_and_nothing_odd_there_is_no_hint(
    findings: list[Finding], waveforms: dict[str, Waveform]
) -> None:
    met = [f for f in findings if f.result is Result.MET]
    assert of(*met, waveforms=waveforms) == ()


def readings_of(findings: list[Finding]) -> list[Reading]:
    return [f.reading for f in findings if f.reading is not None]
