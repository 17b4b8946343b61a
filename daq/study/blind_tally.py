"""What came of a blind population, counted: findings against truths, intervals, verdicts of both ways, seconds."""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from math import ceil, inf, sqrt
from statistics import NormalDist, fmean, stdev

from daq.study.blind import Outcome
from daq.study.blind_manual import ByHand
from daq.study.blind_run import Examined, Judged, Read

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
    """Readings of one quantity against the truth. `width` sums U as a share of the truth, `squares` the squared errors
    in standard uncertainties; `factors` are the coverage factors."""

    n: int = 0
    held: int = 0
    width: float = 0.0
    squares: float = 0.0
    factors: list[float] = field(default_factory=list)

    def add(self, read: Read) -> None:
        self.n += 1
        self.held += read.held
        self.width += read.U / abs(read.truth)
        self.squares += read.error**2
        self.factors.append(read.k)

    @property
    def share(self) -> Share:
        """The share of intervals that held the truth."""
        return Share(self.held, self.n)

    @property
    def spread(self) -> float | None:
        """The root mean square of error over standard uncertainty; None of nothing."""
        return sqrt(self.squares / self.n) if self.n else None

    @property
    def spread_bounds(self) -> tuple[float, float]:
        """The 95 % interval of that for normal errors, whose mean square of n scatters by √(2/n)."""
        if not self.n:
            return 0.0, inf
        off = _Z / sqrt(2.0 * self.n)
        return (self.spread or 0.0) * max(0.0, 1.0 - off), (self.spread or 0.0) * (1.0 + off)

    def factor(self, p: float) -> tuple[float, float, float] | None:
        """The quantile of the coverage factors at `p` with its 95 % interval, from the ranks that a binomial count
        reaches; None of nothing."""
        if not self.factors:
            return None
        ranked, n = sorted(self.factors), len(self.factors)
        off = _Z * sqrt(n * p * (1.0 - p))
        places = (p * n, p * n - off, p * n + off)
        middle, low, high = (ranked[min(max(ceil(x) - 1, 0), n - 1)] for x in places)
        return middle, low, high


@dataclass(slots=True)
class Kind:
    """Units on one kind of stand, with the largest guard factor: verdicts, findings on what is required, intervals."""

    n: int = 0
    void: int = 0
    wrong: int = 0
    findings: int = 0
    near: int = 0
    undecided: int = 0
    intervals: Intervals = field(default_factory=Intervals)

    def add(self, tested: Examined) -> None:
        self.n += 1
        self.void += tested.word == "void"
        self.wrong += any(j.result == ("not_met" if j.true else "met") for j in tested.judged)
        for j in tested.judged:
            self.findings += 1
            self.near += j.U is not None and j.gap < j.U
            self.undecided += j.result == "undecided"
        for read in tested.reads:
            self.intervals.add(read)


@dataclass(slots=True)
class Seconds:
    """Seconds of pump running, a mapping by stage for each unit."""

    units: list[Mapping[str, float]] = field(default_factory=list)

    def add(self, tested: Examined) -> None:
        self.units.append(tested.spent)

    @property
    def stages(self) -> list[str]:
        """All stages in which a pump ran."""
        return list(dict.fromkeys(stage for unit in self.units for stage in unit))

    def mean(self, stages: Sequence[str]) -> float | None:
        """Seconds in these stages together, None where no unit was counted."""
        return fmean(self._of(stages)) if self.units else None

    def bounds(self, stages: Sequence[str]) -> tuple[float, float]:
        """The 95 % interval of that mean."""
        if len(self.units) < 2:
            return 0.0, inf
        spent = self._of(stages)
        off = _Z * stdev(spent) / sqrt(len(spent))
        return max(0.0, fmean(spent) - off), fmean(spent) + off

    def _of(self, stages: Sequence[str]) -> list[float]:
        return [sum(unit.get(stage, 0.0) for stage in stages) for unit in self.units]


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
    kinds: dict[str, Kind] = field(default_factory=dict)
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
        for trait in outcome.traits:
            self.kinds.setdefault(trait, Kind()).add(outcome.tested[max(outcome.tested)])

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
            kept.setdefault(read.quantity, Intervals()).add(read)


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
