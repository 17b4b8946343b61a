"""A counted blind population as tables for people and as plain data for programs."""

from collections.abc import Iterator
from typing import Any

from daq.study.blind import Plan
from daq.study.blind_goals import Goal, goals
from daq.study.blind_manual import SECONDS, STAGES
from daq.study.blind_tally import Found, Share, Tally, Words

Rows = list[tuple[object, ...]]

GOAL_HEAD = ("goal", "found", "95 % bounds", "wanted", "reached")
FINDING_HEAD = ("r", "requirement", "n", "bad", "close", "+ wrong", "of bad", "− wrong", "undecided", "void")
VERDICT_HEAD = ("way", "n", "bad", "+ wrong", "− wrong", "wrong", "neither", "seconds", "with travel")
INTERVAL_HEAD = ("mode", "quantity", "n", "hold the truth", "95 % bounds", "mean U")
FAULT_HEAD = ("fault", "n", "pass", "fail", "undecided", "void", "+ wrong")
WORDS = (
    "bad: the truth violates a limit; close: it lies within U of one; + wrong: met or accepted though bad; − wrong:\n"
    "the other way; neither: undecided or void; seconds: of pump running in free flow and at shutoff, then with closing"
)
"""What the heads of columns mean."""


def goal_rows(tally: Tally) -> Rows:
    """Each goal, what was found, and whether it is reached."""
    return [
        (g.name, _number(g), "" if g.share is None else _bounds(g.share), _wanted(g), _yes(g)) for g in goals(tally)
    ]


def finding_rows(tally: Tally) -> Rows:
    """The findings on each requirement: shares are of all findings on it, but where another is said."""
    return [
        (f"{guard:g}", name, f.n, _percent(Share(f.bad, f.n)), _percent(Share(f.near, f.n)), *_wrongs(f))
        for guard, way in tally.ways.items()
        for name, f in way.found.items()
    ]


def verdict_rows(tally: Tally) -> Rows:
    """Both ways on what both look at."""
    by_hand = ("by hand", *_words(tally.manual), f"{SECONDS:.1f}", "")
    ours = []
    for guard, way in tally.ways.items():
        spent = (_seconds(way.seconds.mean(stages)) for stages in (STAGES, (*STAGES, "throttle")))
        ours.append((f"r = {guard:g}", *_words(way.both), *spent))
    return [by_hand, *ours]


def interval_rows(tally: Tally) -> Rows:
    """How often intervals held the truth."""
    return [
        (mode, quantity, one.n, _percent(one.share), _bounds(one.share), f"{100 * one.width / one.n:.2f} %")
        for mode, kept in tally.intervals.items()
        for quantity, one in kept.items()
    ]


def fault_rows(tally: Tally) -> Rows:
    """Units with faults: their verdicts with the largest guard factor."""
    words = ("pass", "fail", "undecided", "void")
    return [
        (name, sum(found.values()), *(found[w] for w in words), tally.wrong_on_faulty[name])
        for name, found in sorted(tally.faulty.items())
    ]


def as_data(plan: Plan, tally: Tally) -> dict[str, Any]:
    """All of it, fit for JSON."""
    settings = {"seed": plan.seed, "units": tally.units, "reports": tally.reports, "scenario": plan.scenario}
    return {
        "settings": settings,
        "goals": [_goal(g) for g in goals(tally)],
        "findings": list(_found(tally)),
        "verdicts": [dict(zip(VERDICT_HEAD, row, strict=True)) for row in verdict_rows(tally)],
        "intervals": [
            {"mode": mode, "quantity": q, "n": one.n, "held": one.held, "mean_U_share": one.width / one.n}
            for mode, kept in tally.intervals.items()
            for q, one in kept.items()
        ],
        "seconds": {
            f"{g:g}": {s: way.seconds.mean([s]) for s in way.seconds.by_stage} for g, way in tally.ways.items()
        },
        "faulty": [dict(zip(FAULT_HEAD, row, strict=True)) for row in fault_rows(tally)],
    }


def _goal(g: Goal) -> dict[str, Any]:
    bounds = None if g.share is None else list(g.share.bounds)
    return {"goal": g.name, "found": g.value, "bounds": bounds, "low": g.low, "high": g.high, "reached": g.reached}


def _found(tally: Tally) -> Iterator[dict[str, Any]]:
    for guard, way in tally.ways.items():
        for name, f in way.found.items():
            yield {"guard": guard, "requirement": name} | {k: getattr(f, k) for k in Found.__slots__}


def _wrongs(f: Found) -> tuple[str, ...]:
    of = (f.n, f.bad, f.n, f.n, f.n)
    counts = (f.wrong_accepts, f.wrong_accepts, f.wrong_rejects, f.undecided, f.void)
    return tuple(_percent(Share(count, n)) for count, n in zip(counts, of, strict=True))


def _words(w: Words) -> tuple[object, ...]:
    shares = (w.bad, w.wrong_accepts, w.wrong_rejects, w.wrong_accepts + w.wrong_rejects, w.neither)
    return (w.n, *(_percent(Share(count, w.n)) for count in shares))


def _seconds(spent: float | None) -> str:
    return "" if spent is None else f"{spent:.2f}"


def _percent(share: Share) -> str:
    return f"{100 * share.count / share.of:.2f} %" if share.of else ""


def _bounds(share: Share) -> str:
    low, high = share.bounds
    return f"{100 * low:.2f} to {100 * high:.2f} %"


def _number(g: Goal) -> str:
    if g.value is None:
        return "too few"
    return f"{g.value:.3f}" if g.share is None else f"{100 * g.value:.2f} %"


def _wanted(g: Goal) -> str:
    low, high = (f"{x:.3f}" if g.share is None else f"{100 * x:.1f} %" for x in (g.low, g.high))
    if g.low == 0.0:
        return f"at most {high}"
    return f"at least {low}" if g.high == 1.0 else f"{low} to {high}"


def _yes(g: Goal) -> str:
    return "yes" if g.reached else "NO"
