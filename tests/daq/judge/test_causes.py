"""The table of causes as people approve it: `causes.md` beside this file.

What a workshop is told and how much is made of a sign is a matter of judgement (common practice, no source) that no
calculation can check. So it stands there in words, and a change of the table shows as a change of that page.
"""

from collections.abc import Iterable, Mapping
from pathlib import Path

import pytest

from daq.judge.causes import BASIS, CAUSES, Cause
from daq.judge.hints import LEAST_SCORE, MOST, score_of

PAGE = Path(__file__).parent / "causes.md"
HEAD = ("cause", "in a module", "needs", "speaks for it", "speaks against it")


def needs(cause: Cause) -> str:
    return "; ".join(" or ".join(sorted(group)) for group in cause.needs)


def weighed(signs: Mapping[str, float]) -> str:
    return ", ".join(f"{sign} {weight:g}" for sign, weight in sorted(signs.items()))


def page(causes: Iterable[Cause]) -> str:
    table = [(c.name, c.in_module, needs(c), weighed(c.speaks), weighed(c.contradicts)) for c in causes]
    lines = [HEAD, ("---",) * len(HEAD), *table]
    return "".join(f"| {' | '.join(line)} |\n" for line in lines)


def test_the_table_is_the_one_that_was_approved() -> None:
    approved = PAGE.read_text(encoding="utf-8")
    assert page(CAUSES) == approved[approved.index("| cause") :]
    assert (BASIS, MOST, LEAST_SCORE) == ("common practice, no source", 5, 0.5)


@pytest.mark.parametrize("cause", CAUSES, ids=lambda c: c.name.split(",")[0])
def test_each_sign_adds_its_weight_or_takes_it_away(cause: Cause) -> None:
    for signs, way in ((cause.speaks, 1.0), (cause.contradicts, -1.0)):
        for sign, weight in signs.items():
            assert score_of(cause, {sign: 1.0}) == way * weight
            assert score_of(cause, {sign: 0.5}) == 0.5 * way * weight
    everything = dict.fromkeys([*cause.speaks, *cause.contradicts], 1.0)
    assert score_of(cause, everything) == sum(cause.speaks.values()) - sum(cause.contradicts.values())
