"""What comes of a sound unit to which something happens in each stage. Run: python -m tests.studies.mishaps [UNIT …]

Each mishap comes at three moments of each stage, with a person who goes on doing what is asked and with one who does
nothing about it. No cell may be a fail where the unit has worked in the run before. One that never worked in fluid,
since its hose slipped before the first wet power-on, looks like one that gives nothing: there the person's word that it
is connected and in fluid stands against it.
"""

import sys
from collections import Counter
from collections.abc import Iterator

from daq.procedure.run import Run
from simulator.mishaps import MISHAPS
from tests.daq.procedure.mishaps import IDENTITY, UNITS, Mishap, carry_out, mounted, part, stand
from tests.studies.common import show

MOMENTS = (0.1, 0.5, 0.9)
"""Shares of the stage's time in a run without a mishap."""
HEAD = ("unit", "stage", "mishap", "void", "undecided", "pass", "fail", "why, where void or fail")


def rows(units: list[str]) -> Iterator[tuple[str, ...]]:
    for unit in units:
        undisturbed = carry_out(Run(part(unit), stand(), IDENTITY, {}), mounted(unit)).outcome
        for stage, begin, end in undisturbed.stages[1:]:
            for name in MISHAPS:
                yield unit, stage, name, *_counted(unit, name, stage, end - begin)


def _counted(unit: str, name: str, stage: str, seconds: float) -> tuple[str, ...]:
    words: Counter[str] = Counter()
    whys: dict[str, None] = {}
    for share in MOMENTS:
        for obeys in (True, False):
            mishap = Mishap(name, stage, share * seconds, obeys=obeys)
            verdict = carry_out(Run(part(unit), stand(), IDENTITY, {}), mounted(unit), mishap).outcome.verdict
            words[verdict.word.value] += 1
            if verdict.word.value in ("void", "fail"):
                whys[verdict.why] = None
    return (*(str(words[w]) for w in ("void", "undecided", "pass", "fail")), ", ".join(whys))


if __name__ == "__main__":
    show(HEAD, rows(sys.argv[1:] or list(UNITS)))
