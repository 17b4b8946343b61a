"""A counted blind population as tables for people and as plain data for programs."""

from collections.abc import Iterator
from math import isfinite
from typing import Any

from daq.study.blind import Plan
from daq.study.blind_goals import FACTOR_SHARE, Goal, goals
from daq.study.blind_manual import SECONDS, STAGES
from daq.study.blind_tally import Found, Intervals, Share, Tally, Words

Rows = list[tuple[object, ...]]

GOAL_HEAD = ("goal", "found", "95 % bounds", "wanted", "reached")
FINDING_HEAD = ("r", "requirement", "n", "bad", "close", "+ wrong", "of bad", "− wrong", "undecided", "void")
VERDICT_HEAD = ("way", "n", "bad", "+ wrong", "− wrong", "wrong", "neither", "seconds", "with travel")
INTERVAL_HEAD = (
    "mode", "quantity", "n", "hold the truth", "95 % bounds", "rms error/u", "k median", "k 90 %", "mean U",
)  # fmt: skip
KIND_HEAD = ("stand", "n", "void", "wrong", "undecided/close", "hold the truth", "rms error/u", "k 90 %")
FAULT_HEAD = ("fault", "n", "pass", "fail", "undecided", "void", "+ wrong")
WORDS = """\
bad: the truth violates a limit; close: it lies within U of one; + wrong: met or accepted though bad; − wrong: the other
way; neither: undecided or void; seconds: of pump running in free flow and at shutoff, then with closing; rms error/u:
root mean square of the error in standard uncertainties; undecided/close: undecided findings for each one whose limit
lies within U of the truth. A goal is reached where its whole 95 % interval lies within the wanted range; where the
interval overlaps an end of the range, there are too few units to tell."""
"""What the heads of columns mean."""


def goal_rows(tally: Tally) -> Rows:
    """Each goal, what was found, and whether it is reached."""
    return [(g.name, _number(g), _interval(g), _wanted(g), _answer(g)) for g in goals(tally)]


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
    """Intervals against the truth: the share that holds it, errors in standard uncertainties, coverage factors."""
    return [
        (
            mode,
            quantity,
            one.n,
            _percent(one.share),
            _bounds(one.share),
            *_width(one),
            f"{100 * one.width / one.n:.2f} %",
        )
        for mode, kept in tally.intervals.items()
        for quantity, one in kept.items()
    ]


def kind_rows(tally: Tally) -> Rows:
    """The units by kind of stand, with the largest guard factor."""
    return [
        (
            name,
            kind.n,
            _percent(Share(kind.void, kind.n)),
            _percent(Share(kind.wrong, kind.n)),
            f"{kind.undecided / kind.near:.2f}" if kind.near else "",
            _percent(kind.intervals.share),
            *(_width(kind.intervals)[k] for k in (0, 2)),
        )
        for name, kind in tally.kinds.items()
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
            | {"rms_error_over_u": one.spread, "k": {f"{p:g}": (one.factor(p) or [None])[0] for p in (0.5, 0.9)}}
            for mode, kept in tally.intervals.items()
            for q, one in kept.items()
        ],
        "seconds": {f"{g:g}": {s: way.seconds.mean([s]) for s in way.seconds.stages} for g, way in tally.ways.items()},
        "stands": [dict(zip(KIND_HEAD, row, strict=True)) for row in kind_rows(tally)],
        "faulty": [dict(zip(FAULT_HEAD, row, strict=True)) for row in fault_rows(tally)],
    }


def _goal(g: Goal) -> dict[str, Any]:
    bounds = [x if isfinite(x) else None for x in g.bounds]
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


def _width(one: Intervals) -> tuple[str, ...]:
    """Root mean square of error over u, median and upper decile of k."""
    if one.spread is None:
        return "", "", ""
    factors = [one.factor(p) for p in (0.5, FACTOR_SHARE)]
    return (f"{one.spread:.2f}", *(f"{f[0]:.2f}" if f else "" for f in factors))


def _figure(g: Goal, x: float) -> str:
    return f"{100 * x:.2f} %" if g.percent else f"{x:.3f}"


def _number(g: Goal) -> str:
    return "none counted" if g.value is None else _figure(g, g.value)


def _interval(g: Goal) -> str:
    low, high = g.bounds
    return f"{_figure(g, low)} to {_figure(g, high)}" if g.value is not None and isfinite(high) else ""


def _wanted(g: Goal) -> str:
    if g.low == 0.0:
        return f"at most {_figure(g, g.high)}"
    return f"{_figure(g, g.low)} to {_figure(g, g.high)}"


def _answer(g: Goal) -> str:
    return {True: "yes", False: "NO", None: "too few to tell"}[g.reached]
