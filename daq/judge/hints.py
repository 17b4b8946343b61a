"""Hints at causes: possibilities for whoever repairs or returns a unit. They come out of findings and go into nothing:
no verdict, finding or reading knows of them."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from daq.judge.causes import CAUSES, Cause
from daq.judge.finding import Finding
from daq.judge.signs import Sign, signs_of
from daq.measure.reading import Reading
from daq.measure.waveform import Waveform

MOST = 5
LEAST_SCORE = 0.5
"""A cause for which less than this speaks is not worth a line."""


@dataclass(frozen=True, slots=True)
class Hint:
    """A possible cause, the likeliest with rank 1. `for_` and `against` are statements that name their reading; `score`
    is the weight of what speaks for it less that of what speaks against it."""

    cause: str
    rank: int
    for_: tuple[str, ...]
    against: tuple[str, ...]
    score: float


def hints(
    findings: Sequence[Finding],
    readings: Sequence[Reading],
    waveforms: Mapping[str, Waveform],
    *,
    module: bool = False,
    ended: str = "",
    current_floor: float = 0.0,
) -> tuple[Hint, ...]:
    """At most MOST possible causes, by score, equal ones in the order of the table; none where nothing is amiss.

    `ended` and `current_floor` are as in `signs_of`.
    """
    signs = signs_of(findings, readings, waveforms, ended=ended, current_floor=current_floor)
    strengths = _strengths(signs)
    scored = [(score_of(cause, strengths), cause) for cause in CAUSES if _thinkable(cause, strengths)]
    kept = sorted((pair for pair in scored if pair[0] >= LEAST_SCORE), key=lambda pair: -pair[0])[:MOST]
    return tuple(_hint(cause, rank, score, signs, module) for rank, (score, cause) in enumerate(kept, 1))


def score_of(cause: Cause, strengths: Mapping[str, float]) -> float:
    """What speaks for a cause less what speaks against it; each sign counts once, however often it was seen."""
    speaks = sum(weight * strengths.get(name, 0.0) for name, weight in cause.speaks.items())
    return speaks - sum(weight * strengths.get(name, 0.0) for name, weight in cause.contradicts.items())


def _strengths(signs: Iterable[Sign]) -> dict[str, float]:
    strongest: dict[str, float] = {}
    for sign in signs:
        strongest[sign.name] = max(sign.strength, strongest.get(sign.name, 0.0))
    return strongest


def _thinkable(cause: Cause, strengths: Mapping[str, float]) -> bool:
    return all(not group.isdisjoint(strengths) for group in cause.needs)


def _hint(cause: Cause, rank: int, score: float, signs: Sequence[Sign], module: bool) -> Hint:
    name = (cause.in_module if module else "") or cause.name
    return Hint(name, rank, _said(signs, cause.speaks), _said(signs, cause.contradicts), score)


def _said(signs: Iterable[Sign], weighed: Mapping[str, float]) -> tuple[str, ...]:
    """What was said of the signs that are weighed, each statement once, the weightiest first."""
    mine = sorted((s for s in signs if s.name in weighed), key=lambda s: -weighed[s.name] * s.strength)
    return tuple(dict.fromkeys(s.said for s in mine))
