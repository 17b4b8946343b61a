"""What came of a blind population, counted: findings against truths, intervals, verdicts of both ways, seconds."""

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from math import sqrt
from statistics import NormalDist

from daq.study.blind import Outcome
from daq.study.blind_manual import ByHand
from daq.study.blind_run import Examined, Judged

_Z = NormalDist().inv_cdf(0.975)


@dataclass(frozen=True, slots=True)
class Share:
    """`count` of `of`, with the bounds of the 95 % score interval of a share (Wilson 1927, from memory)."""

    count: int
    of: int

    @property
    def value(self) -> float | None:
        """None of nothing."""
        return self.count / self.of if self.of else None

    @property
    def bounds(self) -> tuple[float, float]:
        if not self.of:
            return 0.0, 1.0
        n, p, z = self.of, self.count / self.of, _Z
        middle, half = p + z * z / (2 * n), z * sqrt(p * (1 - p) / n + z * z / (4 * n * n))
        return max(0.0, (middle - half) / (1 + z * z / n)), min(1.0, (middle + half) / (1 + z * z / n))


@dataclass(slots=True)
class Found:
    """The findings on one requirement: `bad` truths violate it, `near` ones lie within U of a limit."""

    n: int = 0
    bad: int = 0
    near: int = 0
    wrong_accepts: int = 0
    wrong_rejects: int = 0
    undecided: int = 0
    void: int = 0

    def add(self, j: Judged) -> None:
        self.n += 1
        self.bad += not j.true
        self.near += j.U is not None and j.gap < j.U
        self.wrong_accepts += j.result == "met" and not j.true
        self.wrong_rejects += j.result == "not_met" and j.true
        self.undecided += j.result == "undecided"
        self.void += j.result == "void"


@dataclass(slots=True)
class Words:
    """Verdicts on what both ways look at: a unit is accepted, rejected, or neither."""

    n: int = 0
    bad: int = 0
    wrong_accepts: int = 0
    wrong_rejects: int = 0
    neither: int = 0

    def add(self, accepted: bool, rejected: bool, true: bool) -> None:
        self.n += 1
        self.bad += not true
        self.wrong_accepts += accepted and not true
        self.wrong_rejects += rejected and true
        self.neither += not (accepted or rejected)

    @property
    def wrong(self) -> Share:
        return Share(self.wrong_accepts + self.wrong_rejects, self.n)


@dataclass(slots=True)
class Intervals:
    """How often intervals held the truth, by quantity; `width` is U added up as a share of the truth."""

    n: int = 0
    held: int = 0
    width: float = 0.0

    @property
    def share(self) -> Share:
        return Share(self.held, self.n)


@dataclass(slots=True)
class Seconds:
    """Seconds of pump running a unit, added up over `n` units."""

    n: int = 0
    by_stage: dict[str, float] = field(default_factory=dict)

    def add(self, tested: Examined) -> None:
        self.n += 1
        for stage, spent in tested.spent.items():
            self.by_stage[stage] = self.by_stage.get(stage, 0.0) + spent

    def mean(self, stages: Iterable[str]) -> float | None:
        """Seconds in these stages together, None where no unit was counted."""
        return sum(self.by_stage.get(s, 0.0) for s in stages) / self.n if self.n else None


@dataclass(slots=True)
class Way:
    """The stand with one guard factor: findings by requirement, verdicts on the whole and on what both ways look at."""

    found: dict[str, Found] = field(default_factory=dict)
    words: Counter[str] = field(default_factory=Counter)
    both: Words = field(default_factory=Words)
    seconds: Seconds = field(default_factory=Seconds)


@dataclass(slots=True)
class Tally:
    """All of it. `faulty` counts verdicts by fault; `accepted_bad` are faulty units that passed and should not have."""

    ways: dict[float, Way] = field(default_factory=dict)
    manual: Words = field(default_factory=Words)
    intervals: dict[str, dict[str, Intervals]] = field(default_factory=dict)
    faulty: dict[str, Counter[str]] = field(default_factory=dict)
    wrong_on_faulty: Counter[str] = field(default_factory=Counter)
    units: int = 0
    reports: int = 0

    def add(self, outcome: Outcome) -> None:
        """Counts one unit in."""
        {"decide": self._decided, "report": self._reported, "faulty": self._faulty}[outcome.case.group](outcome)

    def _decided(self, outcome: Outcome) -> None:
        self.units += 1
        names = [m.requirement for m in outcome.by_hand]
        self.manual.add(*_together(outcome.by_hand))
        for guard, tested in outcome.tested.items():
            way = self.ways.setdefault(guard, Way())
            way.words[tested.word] += 1
            for j in tested.judged:
                way.found.setdefault(j.requirement, Found()).add(j)
            way.both.add(*_first_of(tested, names))
            if outcome.case.family != "module" and tested.word != "void":
                way.seconds.add(tested)
        self._intervals("decide", outcome.tested[max(outcome.tested)])

    def _reported(self, outcome: Outcome) -> None:
        self.reports += 1
        self._intervals("report", outcome.tested[max(outcome.tested)])

    def _faulty(self, outcome: Outcome) -> None:
        name, tested = outcome.case.fault, outcome.tested[max(outcome.tested)]
        self.faulty.setdefault(name, Counter())[tested.word] += 1
        self.wrong_on_faulty[name] += tested.word == "pass" and not all(j.true for j in tested.judged)

    def _intervals(self, mode: str, tested: Examined) -> None:
        kept = self.intervals.setdefault(mode, {})
        for read in tested.reads:
            one = kept.setdefault(read.quantity, Intervals())
            one.n += 1
            one.held += read.held
            one.width += read.U / abs(read.truth)


def _together(hand: Sequence[ByHand]) -> tuple[bool, bool, bool]:
    """Accepted, rejected, truly good, on what the manual way looks at."""
    accepted = all(m.accepted for m in hand)
    return accepted, not accepted, all(m.true for m in hand)


def _first_of(tested: Examined, names: Sequence[str]) -> tuple[bool, bool, bool]:
    """The same of the stand, on the first finding of each of these requirements."""
    first: dict[str, Judged] = {}
    for j in tested.judged:
        if j.requirement in names:
            first.setdefault(j.requirement, j)
    words = [j.result for j in first.values()]
    return all(w == "met" for w in words), "not_met" in words, all(j.true for j in first.values())
