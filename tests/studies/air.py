"""How often air in the fluid fails a pump that gives enough on the whole. Run: python -m tests.studies.air [UNITS]

Air by models that share nothing with the simulator's. A wrong fail is a fail of a pump whose mean flow meets its limit.
"""

import sys
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import replace

import numpy as np

from daq.judge.verdict import Word
from daq.procedure.effects import Outcome
from tests.daq.procedure.airs import KINDS, Air, Share, steps
from tests.daq.procedure.test_air import FULL, LIMIT, PATIENT, drawn
from tests.studies.common import show

STAGE_S = 12.0
"""A stage's time, shortened: what can be read is read by then."""
HEAD = ("air", "units", "void", "undecided", "pass", "fail, and so is the mean", "wrong fails")

Kind = Callable[[np.random.Generator], Air]


def one_lull(rng: np.random.Generator) -> Air:
    """A single lull at the beginning, of up to eight seconds."""
    left, lasts = rng.uniform(0.5, 0.83), rng.uniform(1.0, 8.0)
    return Air("one lull", lambda s: left if s < lasts else 1.0)


def long_steps(rng: np.random.Generator) -> Air:
    """Steps that last for up to twice as long."""
    share: Share = steps(rng).share
    return Air("long steps", lambda s: share(0.5 * s))


def rows(units: int) -> Iterator[tuple[str, ...]]:
    patient = replace(PATIENT, limits=replace(PATIENT.limits, stage_s=STAGE_S))
    for kind in (*KINDS, one_lull, long_steps):
        words: Counter[str] = Counter()
        for seed in range(units):
            air = kind(np.random.default_rng((seed, 77)))
            words[_word(drawn(air.share, patient), air)] += 1
        yield kind.__name__, str(units), *(str(words[w]) for w in ("void", "undecided", "pass", "fail", "wrong"))


def _word(outcome: Outcome, air: Air) -> str:
    enough = air.mean() * FULL >= LIMIT
    return "wrong" if outcome.verdict.word is Word.FAIL and enough else outcome.verdict.word.value


if __name__ == "__main__":
    show(HEAD, rows(int(sys.argv[1]) if len(sys.argv) > 1 else 100))
