"""What it costs to look repeatedly, and whether it is paid for. Run: python -m tests.studies.looks

A quantity lies about a limit; its noise is a first-order process, its systematic error is drawn anew for each run from
the doubt that its reading states. The reading is looked at after 1 s, 2 s … 5 s, as a run does: until its finding is
clear or cannot become so (`decide`), or once at the end (`report`). Everything in standard deviations of a step.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from daq.judge.finding import Result, beyond_looks, judge
from daq.judge.requirement import Quantity, Requirement
from daq.measure.reading import Reading
from daq.measure.uncertainty import Component, combine, mean_of
from tests.studies.common import autoregressive, show

LOOKS = 5


@dataclass(frozen=True, slots=True)
class Noise:
    """Steps a second, and their lag-1 autocorrelation."""

    name: str
    rate: int
    phi: float


NOISES = (
    Noise("pressure, current: white", 20, 0.0),
    Noise("pressure, current: wander", 20, 0.4),
    Noise("pressure, current: slow wander", 20, 0.6),
    Noise("flow, its lag taken out", 13, 0.45),
    Noise("flow, its lag taken out in part", 13, 0.65),
)
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


def tally(noise: Noise, systematic: float, mode: str, count: int, seed: int = 3) -> Tally:
    """`count` runs; `mode` is `report`, or the guard factor of `decide`."""
    rng = np.random.default_rng(seed)
    kept = Tally()
    spread = 2.0 * np.hypot(systematic, 0.25)
    for series in autoregressive(rng, noise.phi, count, LOOKS * noise.rate):
        truth, error = spread * rng.standard_normal(), systematic * rng.standard_normal()
        seen = series + truth + error
        if mode == "report":
            reading, result, looks = reading_of(seen, systematic, 1), Result.UNDECIDED, 1
        else:
            reading, result, looks = decide(seen, noise.rate, systematic, float(mode))
        kept.runs += 1
        kept.looks += looks
        kept.held += abs(reading.value - truth) <= reading.combined.U
        kept.clear += result is not Result.UNDECIDED
        kept.wrong += result is (Result.MET if truth < 0.0 else Result.NOT_MET)
        kept.half += reading.combined.U
    return kept


def rows(count: int) -> Iterator[tuple[str, ...]]:
    """A line for each noise and systematic part."""
    for noise in NOISES:
        for systematic in SYSTEMATIC:
            guarded, simple, report = (tally(noise, systematic, mode, count) for mode in ("1", "0", "report"))
            yield (
                noise.name,
                f"{systematic:g}",
                _share(guarded.held, guarded),
                _share(guarded.wrong, guarded),
                f"{guarded.looks / guarded.runs:.2f}",
                _share(simple.held, simple),
                _share(report.held, report),
                f"{report.half / report.runs:.2f}",
            )


def main() -> None:
    head = (
        "noise",
        "systematic u",
        "r = 1: interval holds",
        "wrong",
        "looks",
        "r = 0: holds",
        "report: holds",
        "mean U",
    )
    show(head, rows(1_500))


def _share(part: int, of: Tally) -> str:
    return f"{100 * part / of.runs:.1f} %"


if __name__ == "__main__":
    main()
