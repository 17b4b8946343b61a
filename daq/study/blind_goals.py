"""What a blind population must show, and whether it does."""

from collections.abc import Iterator
from dataclasses import dataclass

from daq.study.blind_manual import SECONDS, STAGES
from daq.study.blind_tally import Share, Tally, Way

WRONG_SHARE = 1 / 5
TIME_SHARE = 1 / 3
WRONG_ACCEPTS = 0.025
UNDECIDED_OVER_NEAR = 1.5
VOID = 0.01
COVERAGE = {"report": (0.93, 0.97), "decide": (0.95, 1.0)}


@dataclass(frozen=True, slots=True)
class Goal:
    """One goal: `value` must lie in [`low`, `high`]; None says that too little was run to tell, and then it is not
    reached. Where it is a share, `share` is what it was counted from."""

    name: str
    value: float | None
    low: float
    high: float
    share: Share | None = None

    @property
    def reached(self) -> bool:
        return self.value is not None and self.low <= self.value <= self.high


def goals(tally: Tally) -> list[Goal]:
    """All goals that what was run can tell about."""
    return [g for guard, way in tally.ways.items() for g in _of_way(tally, guard, way)] + list(_coverage(tally))


def _of_way(tally: Tally, guard: float, way: Way) -> Iterator[Goal]:
    r = f"r = {guard:g}: "
    ours, theirs = way.both.wrong, tally.manual.wrong
    yield Goal(f"{r}wrong verdicts over those by hand", _ratio(ours.value, theirs.value), 0.0, WRONG_SHARE)
    yield Goal(f"{r}seconds of running over those by hand", _ratio(way.seconds.mean(STAGES), SECONDS), 0.0, TIME_SHARE)
    if guard == 1.0:
        for name, found in way.found.items():
            accepts = Share(found.wrong_accepts, found.n)
            yield Goal(f"{r}wrong accepts, {name}", accepts.value, 0.0, WRONG_ACCEPTS, accepts)
        for name, found in way.found.items():
            undecided = Share(found.undecided, found.n)
            most = UNDECIDED_OVER_NEAR * found.near / max(found.n, 1)
            yield Goal(f"{r}undecided, {name}", undecided.value, 0.0, most, undecided)
        void = Share(way.words["void"], tally.units)
        yield Goal(f"{r}void on healthy stands", void.value, 0.0, VOID, void)


def _coverage(tally: Tally) -> Iterator[Goal]:
    for mode, kept in tally.intervals.items():
        low, high = COVERAGE[mode]
        for quantity, one in kept.items():
            yield Goal(f"{mode}: intervals hold, {quantity}", one.share.value, low, high, one.share)


def _ratio(ours: float | None, theirs: float | None) -> float | None:
    return ours / theirs if ours is not None and theirs else None
