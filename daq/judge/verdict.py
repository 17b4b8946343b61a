"""From findings and the way a run ended to the one word that somebody pays for. Missing evidence never passes."""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from daq.judge.finding import Finding, Result

WHY_LENGTH = 24
"""What a line controller reads of the reason, in characters."""


class Word(StrEnum):
    """The verdict on a run; `code` is the result evaluation of OPC 40001-101."""

    VOID = "void"
    PASS = "pass"
    FAIL = "fail"
    UNDECIDED = "undecided"

    @property
    def code(self) -> int:
        return {"void": 0, "pass": 1, "fail": 2, "undecided": 3}[self.value]


@dataclass(frozen=True, slots=True)
class Verdict:
    """The word, and the first reason for it: a requirement's name or what made the run void; empty for a pass."""

    word: Word
    why: str = ""


def verdict(findings: Sequence[Finding], voided: str = "", cut_short: str = "") -> Verdict:
    """The judgement on a run.

    `voided` says why the run counts for nothing, whatever was found: abort, device reset, kill, a trip of the stand, a
    limit that the operator or the stand overran. `cut_short` says why a run ended early through the unit: findings
    count, and what is missing is void.
    """
    if voided:
        return Verdict(Word.VOID, voided[:WHY_LENGTH])
    for result, word in ((Result.NOT_MET, Word.FAIL), (Result.VOID, Word.VOID), (Result.UNDECIDED, Word.UNDECIDED)):
        first = next((f for f in findings if f.result is result), None)
        if first is not None:
            why = cut_short if word is Word.VOID and cut_short else first.requirement.name
            return Verdict(word, why[:WHY_LENGTH])
    if cut_short or not findings:
        return Verdict(Word.VOID, (cut_short or "nothing was required")[:WHY_LENGTH])
    return Verdict(Word.PASS)
