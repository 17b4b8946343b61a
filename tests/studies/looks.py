"""What it costs to look repeatedly, and whether it is paid for. Run: python -m tests.studies.looks

A quantity lies about a limit; its noise is a first-order process, its systematic error is drawn anew for each run from
the doubt that its reading states. The reading is looked at after 1 s, 2 s … 5 s, as a run does: until its finding is
clear or cannot become so (`decide`), until U reaches a target (`target`), or once at the end (`report`). Everything in
standard deviations of a step.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from daq.judge.finding import Result, beyond_looks, judge
from daq.judge.requirement import Quantity, Requirement
from daq.measure.distributions import normal_quantile
from daq.measure.reading import Reading
from daq.measure.uncertainty import LOOKS_AT_A_TARGET, Component, combine, mean_of
from tests.studies.common import autoregressive, show

LOOKS = 5


@dataclass(frozen=True, slots=True)
class Noise:
    """Steps a second, and their lag-1 autocorrelation; NaN: those of a meter with a lag, its lag taken out."""

    name: str
    rate: int
    phi: float

    def series(self, rng: np.random.Generator, count: int) -> np.ndarray:
        """`[count, LOOKS × rate]` of mean 0."""
        length = LOOKS * self.rate
        return (
            metered(rng, count, length, 1.0 / self.rate)
            if math.isnan(self.phi)
            else autoregressive(rng, self.phi, count, length)
        )


NOISES = (
    Noise("pressure, current: white", 20, 0.0),
    Noise("pressure, current: wander", 20, 0.4),
    Noise("pressure, current: slow wander", 20, 0.6),
    Noise("flow, its lag taken out", 13, 0.45),
    Noise("flow, its lag taken out in part", 13, 0.65),
    Noise("flow, as a meter shows it", 13, math.nan),
)
LAG_S, WANDER_S, FINE_S, JITTER = 0.15, 0.1, 0.01, 0.1
"""A turbine meter's lag, how long a flow's unrest lasts, the step in which both are worked out, and how far the meter's
steps scatter beside, in their own standard deviation."""
SYSTEMATIC = (0.0, 0.3, 1.0)
"""Standard uncertainty of the systematic part."""


@dataclass(slots=True)
class Tally:
    """Counts over runs of one kind."""

    runs: int = 0
    looks: int = 0
    held: int = 0
    clear: int = 0
    wrong: int = 0
    half: float = 0.0


def metered(rng: np.random.Generator, count: int, length: int, step_s: float) -> np.ndarray:
    """Flow steps `[count, length]` of an unrest seen through a lag, which is taken out again as `FlowMeter` does."""
    per = round(step_s / FINE_S)
    wander = autoregressive(rng, math.exp(-FINE_S / WANDER_S), count, per * (length + 11))
    shown = np.zeros_like(wander)
    share = 1.0 - math.exp(-FINE_S / LAG_S)
    for k in range(1, wander.shape[1]):
        shown[:, k] = shown[:, k - 1] + share * (wander[:, k] - shown[:, k - 1])
    steps = shown.reshape(count, length + 11, per).mean(axis=2)[:, 10:]
    steps = steps / steps.std() + JITTER * rng.standard_normal(steps.shape)
    kept = math.exp(-per * FINE_S / LAG_S)
    driving = (steps[:, 1:] - kept * steps[:, :-1]) / (1.0 - kept)
    return np.asarray(driving / driving.std())


def reading_of(values: np.ndarray, systematic: float, looks: int) -> Reading:
    """What a window gives, its systematic doubt stated beside its scatter."""
    mean = mean_of(values, looks=looks)
    combined = combine([c for c in (mean.component(), Component.normal("calibration", systematic)) if c.standard > 0.0])
    return Reading(
        "flow", "free_flow", mean.value, mean.value, mean.value, combined, mean.n, mean.n_effective, (0.0, 1.0)
    )


def decide(series: np.ndarray, rate: int, systematic: float, guard: float) -> tuple[Reading, Result, int]:
    """The reading that a run would end with, the finding on `at_least` 0, and after how many looks."""
    need = Requirement("limit", Quantity.FLOW, "free_flow", at_least=0.0, guard=guard)
    for look in range(1, LOOKS + 1):
        reading = reading_of(series[: look * rate], systematic, LOOKS)
        finding = judge(need, reading, "free_flow")
        if finding.clear or beyond_looks(finding):
            break
    return reading, finding.result, look


def to_target(series: np.ndarray, rate: int, systematic: float, target: float, paid: int) -> tuple[Reading, int]:
    """The reading whose U reached a target, or the longest, and after how many looks."""
    for look in range(1, LOOKS + 1):
        reading = reading_of(series[: look * rate], systematic, paid)
        if target >= reading.combined.U:
            break
    return reading, look


def tally(noise: Noise, systematic: float, mode: str, count: int, seed: int = 3) -> Tally:
    """`count` runs; `mode` is `report`, `target` or the guard factor of `decide`. A target is what is reached after 3 s
    in one run of two."""
    rng = np.random.default_rng(seed)
    kept, result = Tally(), Result.UNDECIDED
    spread = 2.0 * np.hypot(systematic, 0.25)
    drawn = noise.series(rng, count)
    usual = [reading_of(s[: 3 * noise.rate], systematic, LOOKS_AT_A_TARGET).combined.U for s in drawn[:50]]
    truths, errors = spread * _spread_evenly(rng, count), systematic * _spread_evenly(rng, count)
    for series, truth, error in zip(drawn, truths.tolist(), errors.tolist(), strict=True):
        seen = series + truth + error
        if mode == "report":
            reading, looks = reading_of(seen, systematic, 1), 1
        elif mode == "target":
            reading, looks = to_target(seen, noise.rate, systematic, float(np.median(usual)), LOOKS_AT_A_TARGET)
        else:
            reading, result, looks = decide(seen, noise.rate, systematic, float(mode))
        kept.runs += 1
        kept.looks += looks
        kept.held += abs(reading.value - truth) <= reading.combined.U
        kept.clear += result is not Result.UNDECIDED
        kept.wrong += result is (Result.MET if truth < 0.0 else Result.NOT_MET)
        kept.half += reading.combined.U
    return kept


def _spread_evenly(rng: np.random.Generator, count: int) -> np.ndarray:
    """Standard normal draws, one from each of `count` equally likely parts: chance would blur a short study."""
    return rng.permutation([normal_quantile((k + 0.5) / count) for k in range(count)])


def rows(count: int) -> Iterator[tuple[str, ...]]:
    """A line for each noise and systematic part."""
    for noise in NOISES:
        for systematic in SYSTEMATIC:
            guarded, simple, target, report = (
                tally(noise, systematic, mode, count) for mode in ("1", "0", "target", "report")
            )
            yield (
                noise.name,
                f"{systematic:g}",
                _share(guarded.held, guarded),
                _share(guarded.wrong, guarded),
                _share(guarded.clear, guarded),
                f"{guarded.looks / guarded.runs:.2f}",
                _share(simple.held, simple),
                _share(simple.wrong, simple),
                _share(target.held, target),
                f"{target.looks / target.runs:.2f}",
                _share(report.held, report),
                f"{report.half / report.runs:.2f}",
            )


def main() -> None:
    head = (
        *("noise", "systematic u", "r = 1: U holds", "wrong", "clear", "looks", "r = 0: U holds", "wrong"),
        *("target: U holds", "looks", "report: U holds", "mean U"),
    )
    show(head, rows(600))


def _share(part: int, of: Tally) -> str:
    return f"{100 * part / of.runs:.1f} %"


if __name__ == "__main__":
    main()
