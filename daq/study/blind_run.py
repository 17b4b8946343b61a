"""One unit of a blind population tested by the real core, and what the truth was in each of its windows."""

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from daq.judge.finding import Finding, judge
from daq.judge.verdict import Verdict, verdict
from daq.measure.peak import LENGTH_S, held_maximum
from daq.measure.reading import Reading
from daq.procedure.effects import Noted, Outcome, Taken
from daq.procedure.plan import Part, Stand
from daq.procedure.run import Run
from daq.study.blind_population import State, signals_at
from drivers.block import Identity
from simulator.fast import Clean, FastBench

Floats = NDArray[np.float64]
FINE_HZ = 500.0
"""The rate at which the noise-free pressure is looked at for its peak."""
_COLUMNS = {"flow": Clean.FLOW, "pressure": Clean.PRESSURE, "peak_pressure": Clean.PRESSURE, "current": Clean.CURRENT}
TOLD = tuple(_COLUMNS)
"""The quantities that a truth is worked out for."""


@dataclass(frozen=True, slots=True)
class Judged:
    """A finding beside the truth, SI.

    `result` is the finding's word, `true` whether the truth meets the limit, `gap` how far the truth lies from the
    nearest limit. `value` and `U` are None where there is no reading with a value.
    """

    requirement: str
    stage: str
    quantity: str
    result: str
    true: bool
    gap: float
    truth: float
    value: float | None
    U: float | None


@dataclass(frozen=True, slots=True)
class Read:
    """A reading beside the truth, SI, whether anything was required of it or not. `U`, `u`, `k` and `dof` are those of
    the reading."""

    stage: str
    quantity: str
    value: float
    U: float
    truth: float
    u: float
    k: float
    dof: float

    @property
    def held(self) -> bool:
        """Whether the interval holds the truth."""
        return abs(self.value - self.truth) <= self.U

    @property
    def error(self) -> float:
        """The error in standard uncertainties."""
        return (self.value - self.truth) / self.u


@dataclass(frozen=True, slots=True)
class Examined:
    """A whole run. `spent` is seconds of pump running by stage, from power-on where that came later than the stage."""

    word: str
    why: str
    judged: tuple[Judged, ...]
    reads: tuple[Read, ...]
    spent: Mapping[str, float]


@dataclass(frozen=True, slots=True)
class Carried:
    """What came of a run at the bench: `power_on` are the times of that, `once` says that nothing was read twice."""

    outcome: Outcome
    power_on: tuple[float, ...]
    once: bool
    complete: bool


def carry_out(run: Run, bench: FastBench) -> Carried:
    """The run to its end, with a person who does what it asks."""
    power_on: list[float] = []
    seen: set[str] = set()
    once = True
    while run.outcome is None:
        bench.person.hear(run.now.do.value)
        for word in bench.person.take_confirmations():
            run.confirm(word)
        for effect in run.feed(bench.block()):
            if isinstance(effect, Noted) and effect.what == "power on":
                power_on.append(effect.t)
            elif isinstance(effect, Taken):
                once = once and effect.reading.name not in seen
                seen.add(effect.reading.name)
    complete = len(run.outcome.stages) == len(run.stages)
    return Carried(run.outcome, tuple(power_on), once, complete)


def examine(
    part: Part,
    stand: Stand,
    identity: Identity,
    *,
    years: Mapping[str, float],
    mount: Callable[[], FastBench],
    guards: Sequence[float],
) -> dict[float, Examined]:
    """Tests one unit with each of several guard factors; `mount` puts it on the bench, the same way every time.

    The factor has no say in a run but for how often it looks. So where one with the first factor, the largest, was done
    at the first look everywhere, one with a smaller factor is that very run, block for block, judged otherwise.
    """
    results: dict[float, Examined] = {}
    first: tuple[Carried, Truths] | None = None
    for guard in sorted(guards, reverse=True):
        if first is not None and first[0].once and first[0].complete:
            carried, truths = first
            findings = tuple(_again(f, guard) for f in carried.outcome.findings)
            results[guard] = _examined(verdict(findings), findings, carried, truths)
            continue
        bench = mount()
        carried = carry_out(Run(guarded(part, guard), stand, identity, years), bench)
        truths = Truths(bench, part.test_voltage)
        first = first or (carried, truths)
        results[guard] = _examined(carried.outcome.verdict, carried.outcome.findings, carried, truths)
    return results


def guarded(part: Part, guard: float) -> Part:
    """The part with another guard factor throughout."""
    return replace(part, requirements=tuple(replace(r, guard=guard) for r in part.requirements))


def _again(finding: Finding, guard: float) -> Finding:
    return judge(replace(finding.requirement, guard=guard), finding.reading, finding.stage)


def _examined(said: Verdict, findings: Sequence[Finding], carried: Carried, truths: "Truths") -> Examined:
    known = [f for f in findings if f.requirement.quantity.value in TOLD and f.stage != "dry_check"]
    return Examined(
        said.word.value,
        said.why,
        tuple(_judged(f, truths) for f in known),
        tuple(_reads(carried.outcome.readings, truths)),
        _spent(carried),
    )


def _judged(finding: Finding, truths: "Truths") -> Judged:
    """Where there is no reading the truth is that at the stage's end, as far as it got."""
    need, reading = finding.requirement, finding.reading
    window = truths.last() if reading is None else reading.window
    truth = truths.of(need.quantity.value, finding.stage, window)
    low = math.inf if need.at_least is None else truth - need.at_least
    high = math.inf if need.at_most is None else need.at_most - truth
    plain = reading is not None and not reading.is_interval
    return Judged(
        requirement=need.name,
        stage=finding.stage,
        quantity=need.quantity.value,
        result=finding.result.value,
        true=low >= 0.0 and high >= 0.0,
        gap=min(abs(low), abs(high)),
        truth=truth,
        value=reading.value if reading is not None and plain else None,
        U=reading.combined.U if reading is not None and plain else None,
    )


def _reads(readings: Sequence[Reading], truths: "Truths") -> Iterator[Read]:
    """Readings with a value, but for that of the open line's pressure: it is nothing that a unit is judged by."""
    for r in readings:
        opened = r.stage.startswith("free_flow")
        if (
            r.quantity in TOLD
            and r.stage != "dry_check"
            and not r.is_interval
            and not (opened and r.quantity == "pressure")
        ):
            truth, c = truths.of(r.quantity, r.stage, r.window), r.combined
            yield Read(r.stage, r.quantity, r.value, c.U, truth, c.u, c.k, c.dof)


def _spent(carried: Carried) -> dict[str, float]:
    spent = {}
    for name, begin, end in carried.outcome.stages:
        started = [t for t in carried.power_on if begin <= t <= end]
        spent[name] = end - max([begin, *started])
    return spent


class Truths:
    """What a reading should have been: the same functional of the noise-free signals of the same run, over the same
    window, brought to test voltage by the unit's own response.

    The functional is the mean, for a peak pressure the highest one that holds. The response is the ratio of the unit's
    steady states at test voltage and at the voltage that really was at its terminals, in the window's fluid and with
    its winding as warm as it was then.
    """

    def __init__(self, bench: FastBench, volts: float) -> None:
        self._unit, self._line, self._volts, self._clean = bench.plant.unit, bench.plant.line, volts, bench.clean()
        self._ratios: dict[tuple[bool, float], dict[str, float]] = {}

    def of(self, quantity: str, stage: str, window: tuple[float, float]) -> float:
        """The truth of a quantity (SI) over a window in seconds of the run."""
        first, last = np.searchsorted(self._clean[:, Clean.TIME], np.array(window) + 1e-6).tolist()
        means = self._clean[min(first, last - 1) : last].mean(axis=0)
        seen = self._peak(window) if quantity == "peak_pressure" else float(means[_COLUMNS[quantity]])
        return seen * self._to_test_voltage(quantity, stage.startswith("free_flow"), means)

    def last(self) -> tuple[float, float]:
        """The last second in which the pump ran."""
        running = self._clean[:, Clean.CURRENT] > 0.0
        end = float(self._clean[running, Clean.TIME][-1]) if running.any() else float(self._clean[-1, Clean.TIME])
        return max(end - LENGTH_S, 0.0), end

    def _peak(self, window: tuple[float, float]) -> float:
        at = np.arange(round(LENGTH_S * FINE_HZ)) / FINE_HZ + window[0]
        return held_maximum(np.interp(at, self._clean[:, Clean.TIME], self._clean[:, Clean.PRESSURE]), FINE_HZ)

    def _to_test_voltage(self, quantity: str, opened: bool, means: Floats) -> float:
        really, fluid, winding = (float(means[c]) for c in (Clean.VOLTS, Clean.FLUID, Clean.WINDING))
        if (opened, really) not in self._ratios:
            states = [State(volts, opened, fluid, winding) for volts in (self._volts, really)]
            at = [signals_at(self._unit, self._line, state) for state in states]
            self._ratios[opened, really] = {q: at[0][q] / at[1][q] if at[1][q] else 1.0 for q in at[0]}
        return self._ratios[opened, really][quantity]
