"""The goals of a blind population, and whether the population reaches them.

A goal is reached where the whole 95 % interval of its figure lies within the wanted range, and missed where all of it
lies outside. Where the interval overlaps an end of the range, there are too few units to tell.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from math import inf

from daq.study.blind_manual import SECONDS, STAGES
from daq.study.blind_tally import Intervals, Share, Tally, Way

WRONG_SHARE = {1.0: 1 / 50, 0.0: 1 / 10}
"""Wrong verdicts over those by hand, by guard factor."""
TIME_SHARE = 1 / 4
WRONG_ACCEPTS = 0.025
UNDECIDED_OVER_NEAR = 1.2
VOID = 0.01
COVERAGE = (0.94, 0.97)
SPREAD = (0.85, 1.1)
"""Root mean square of error over standard uncertainty."""
FACTOR_SHARE = 0.9
LARGEST_FACTOR = 2.4
"""Coverage factor that the share above of all readings stays below."""


@dataclass(frozen=True, slots=True)
class Goal:
    """One goal: `value`, with its 95 % interval `bounds`, must lie in [`low`, `high`]. None: nothing was counted. A
    `percent` is a share of counted cases."""

    name: str
    value: float | None
    bounds: tuple[float, float]
    low: float
    high: float
    percent: bool = False

    @property
    def reached(self) -> bool | None:
        """True where the goal is reached, False where it is missed, None where there is too little to tell."""
        least, most = self.bounds
        if self.value is None:
            return None
        if self.low <= least and most <= self.high:
            return True
        return False if least > self.high or most < self.low else None


def goals(tally: Tally) -> list[Goal]:
    """All goals that the counted units bear on."""
    return [g for guard, way in tally.ways.items() for g in _of_way(tally, guard, way)] + list(_intervals(tally))


def _of_way(tally: Tally, guard: float, way: Way) -> Iterator[Goal]:
    r = f"r = {guard:g}: "
    yield _wrong_over_manual(f"{r}wrong verdicts over those by hand", way, tally, WRONG_SHARE.get(guard, 1.0))
    mean, (least, most) = way.seconds.mean(STAGES), way.seconds.bounds(STAGES)
    share = None if mean is None else mean / SECONDS
    name = f"{r}seconds of running over those by hand"
    yield Goal(name, share, (least / SECONDS, most / SECONDS), 0.0, TIME_SHARE)
    if guard != max(tally.ways):
        return
    for name, found in way.found.items():
        yield _share(f"{r}wrong accepts, {name}", Share(found.wrong_accepts, found.n), 0.0, WRONG_ACCEPTS)
    for name, found in way.found.items():
        most_undecided = UNDECIDED_OVER_NEAR * found.near / max(found.n, 1)
        yield _share(f"{r}undecided, {name}", Share(found.undecided, found.n), 0.0, most_undecided)
    yield _share(f"{r}void on sound stands", Share(way.words["void"], tally.units), 0.0, VOID)


def _intervals(tally: Tally) -> Iterator[Goal]:
    for mode, kept in tally.intervals.items():
        for quantity, one in kept.items():
            yield _share(f"{mode}: intervals hold, {quantity}", one.share, *COVERAGE)
        for quantity, one in kept.items():
            yield Goal(f"{mode}: rms of error over u, {quantity}", one.spread, one.spread_bounds, *SPREAD)
        for quantity, one in kept.items():
            yield _factor(f"{mode}: k of nine in ten readings, {quantity}", one)


def _factor(name: str, one: Intervals) -> Goal:
    found = one.factor(FACTOR_SHARE)
    value, bounds = (None, (0.0, inf)) if found is None else (found[0], found[1:])
    return Goal(name, value, bounds, 0.0, LARGEST_FACTOR)


def _share(name: str, share: Share, low: float, high: float) -> Goal:
    return Goal(name, share.value, share.bounds, low, high, percent=True)


def _wrong_over_manual(name: str, way: Way, tally: Tally, most: float) -> Goal:
    """The ratio of two counts on the same units. Given their sum, the first count is binomial with the share
    ratio/(1 + ratio) (conditional test of two Poisson means, Przyborowski and Wilenski 1940, from memory)."""
    ours, theirs = way.both.wrong, tally.manual.wrong
    together = Share(ours.count, ours.count + theirs.count)
    if not theirs.count:
        return Goal(name, None, (0.0, inf), 0.0, most)
    least, greatest = (p / (1.0 - p) if p < 1.0 else inf for p in together.bounds)
    return Goal(name, ours.count / theirs.count, (least, greatest), 0.0, most)
