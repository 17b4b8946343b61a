"""Where hints put the true cause of each simulated fault. Run: python -m tests.studies.hints

The faults are the simulator's: this tells whether signs and table work together, not how well they do in the field.
"""

import asyncio
from collections.abc import Iterator

from daq.procedure.effects import Outcome
from daq.procedure.plan import Part
from tests.daq.stand.test_fault_hints import CASES, GOOD, outcome_of
from tests.studies.common import show

SEEDS = range(1, 9)
HEAD = ("unit", "part", "required beside", "true cause", "first", "second", "later or not at all", "hints, on average")


def outcomes(unit: str, of: Part) -> list[Outcome]:
    return [asyncio.run(outcome_of(unit, of, seed)) for seed in SEEDS]


def place(outcome: Outcome, cause: str) -> int:
    """The rank of a cause, 0 where it is not among the hints."""
    return next((h.rank for h in outcome.hints if h.cause.startswith(cause)), 0)


def rows() -> Iterator[tuple[str, ...]]:
    for unit, of, cause in (*CASES, *((unit, of, "") for unit, of in GOOD)):
        found = outcomes(unit, of)
        ranks = [place(o, cause) if cause else -1 for o in found]
        counted = [str(ranks.count(k)) for k in (1, 2)] + [str(sum(r == 0 or r > 2 for r in ranks))]
        beside = ", ".join(r.name for r in of.requirements if r.name in ("speed", "holds"))
        average = sum(len(o.hints) for o in found) / len(found)
        yield unit, of.number, beside, cause or "none", *(counted if cause else ["", "", ""]), f"{average:.1f}"


if __name__ == "__main__":
    show(HEAD, rows())
