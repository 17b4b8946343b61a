"""The one word: which finding outweighs which, and that missing evidence never passes."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daq.judge.finding import Finding, Result
from daq.judge.requirement import Quantity, Requirement
from daq.judge.verdict import WHY_LENGTH, Word, verdict
from daq.measure.reading import Reading
from daq.measure.uncertainty import combine

READING = Reading("flow", "free_flow", 1.0, 1.0, 1.0, combine(()), 1, 1.0, (0.0, 1.0))


def finding(result: Result, name: str = "") -> Finding:
    requirement = Requirement(name or f"a {result.value} one", Quantity.FLOW, "free_flow", at_least=1.0)
    return Finding(requirement, "free_flow", None if result is Result.VOID else READING, result)


MET, NOT, OPEN, VOID = map(finding, (Result.MET, Result.NOT_MET, Result.UNDECIDED, Result.VOID))


@pytest.mark.parametrize(
    ("findings", "word", "why"),
    [
        ([MET], Word.PASS, ""),
        ([MET, MET], Word.PASS, ""),
        ([MET, OPEN], Word.UNDECIDED, "a undecided one"),
        ([OPEN, VOID, MET], Word.VOID, "a void one"),
        ([VOID, OPEN, NOT, MET], Word.FAIL, "a not_met one"),
        ([], Word.VOID, "nothing was required"),
    ],
)
def test_the_worst_finding_decides(findings: list[Finding], word: Word, why: str) -> None:
    assert (verdict(findings).word, verdict(findings).why) == (word, why)


def test_the_first_of_the_worst_is_the_reason() -> None:
    findings = [MET, finding(Result.NOT_MET, "free flow"), finding(Result.NOT_MET, "shutoff pressure")]
    assert verdict(findings).why == "free flow"


@pytest.mark.parametrize("findings", [[MET], [NOT], [OPEN], [VOID], []])
def test_a_voided_run_is_void_whatever_was_found(findings: list[Finding]) -> None:
    result = verdict(findings, voided="aborted")
    assert (result.word, result.why) == (Word.VOID, "aborted")


def test_a_run_cut_short_by_the_unit_keeps_what_failed() -> None:
    assert verdict([NOT, VOID], cut_short="over-current").word is Word.FAIL
    result = verdict([MET, VOID], cut_short="over-current")
    assert (result.word, result.why) == (Word.VOID, "over-current")


def test_a_run_cut_short_never_passes() -> None:
    assert verdict([MET, MET], cut_short="power off").word is Word.VOID


def test_the_reason_fits_a_line_controller() -> None:
    long = "the bench caught fire and was put out"
    assert verdict([], voided=long).why == long[:WHY_LENGTH]


def test_codes_of_the_result_evaluation() -> None:
    """OPC 40001-101, result evaluation: undefined 0, OK 1, not OK 2, not decidable 3 (from memory)."""
    assert {w: w.code for w in Word} == {Word.VOID: 0, Word.PASS: 1, Word.FAIL: 2, Word.UNDECIDED: 3}


some = st.lists(st.sampled_from([MET, NOT, OPEN, VOID]), max_size=6)
BADNESS = {Word.PASS: 0, Word.UNDECIDED: 1, Word.VOID: 2, Word.FAIL: 3}


@given(
    st.lists(st.sampled_from([MET, NOT, OPEN, VOID]), min_size=1, max_size=6), st.sampled_from([MET, NOT, OPEN, VOID])
)
def test_one_more_finding_never_improves_a_verdict(findings: list[Finding], more: Finding) -> None:
    assert BADNESS[verdict([*findings, more]).word] >= BADNESS[verdict(findings).word]


@given(some, st.integers(0, 5), st.sampled_from([NOT, OPEN, VOID]))
def test_a_worse_finding_in_the_place_of_a_met_one_never_improves_a_verdict(
    findings: list[Finding], place: int, worse: Finding
) -> None:
    before = [*findings[:place], MET, *findings[place:]]
    after = [*findings[:place], worse, *findings[place:]]
    assert BADNESS[verdict(after).word] >= BADNESS[verdict(before).word]


@given(some, st.booleans(), st.booleans())
def test_a_pass_needs_every_finding_met_and_a_whole_run(findings: list[Finding], voided: bool, cut: bool) -> None:
    word = verdict(findings, "aborted" if voided else "", "no flow" if cut else "").word
    whole = bool(findings) and all(f is MET for f in findings) and not voided and not cut
    assert (word is Word.PASS) is whole


@given(some)
def test_order_does_not_matter(findings: list[Finding]) -> None:
    assert verdict(findings).word is verdict(findings[::-1]).word


def test_a_line_controller_reads_24_characters_of_the_reason() -> None:
    assert WHY_LENGTH == 24
    assert verdict([finding(Result.NOT_MET, "x" * 30)]).why == "x" * 24
    assert verdict([], cut_short="y" * 30).why == "y" * 24
    assert verdict([VOID], cut_short="z" * 30).why == "z" * 24
