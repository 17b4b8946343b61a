"""How often the steady-state detector is wrong, and how long it takes. Run: python -m tests.studies.steady

Figures are in percent of the limit: tolerance 0.5 %, steps of 50 ms, noise per step. A run lasts 20 s.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from daq.measure.steady import Detector
from tests.studies.common import autoregressive, show

STEP_S, RUN_S, WINDOW_S, TOLERANCE, JUMP = 0.05, 20.0, 1.5, 0.5, 50.0
TIMES = np.arange(round(RUN_S / STEP_S)) * STEP_S
Floats = NDArray[np.float64]


def states(values: Floats) -> NDArray[np.bool_]:
    detector = Detector(TOLERANCE, window_s=WINDOW_S)
    return np.array([detector.feed(t, x) for t, x in zip(TIMES.tolist(), values.tolist(), strict=True)])


@dataclass(frozen=True)
class Rates:
    """Of runs: the share ever called steady too early, and never. Seconds to steady from when it is true, median and
    95 % of runs. Of steps: the share called steady too early; after the first call, the share called steady."""

    false_runs: float
    missed_runs: float
    delay: float
    long_delay: float
    false_steps: float
    kept: float


def rates(clean: Floats, moving: NDArray[np.bool_], noise: float, phi: float, *, runs: int, seed: int = 9) -> Rates:
    """The detector on `clean` plus noise; `moving` says where it should not be called steady."""
    series = clean + noise * autoregressive(np.random.default_rng(seed), phi, runs, clean.size)
    found = np.array([states(s) for s in series])
    early, right = found[:, moving], found[:, ~moving]
    first = np.array([np.argmax(r) * STEP_S for r in right if r.any()])
    kept = [r[np.argmax(r) :].mean() for r in right if r.any()]
    return Rates(
        float(early.any(axis=1).mean()) if moving.any() else 0.0,
        float(1.0 - right.any(axis=1).mean()) if right.shape[1] else 0.0,
        float(np.median(first)) if first.size else float("nan"),
        float(np.quantile(first, 0.95)) if first.size else float("nan"),
        float(early.mean()) if moving.any() else 0.0,
        float(np.mean(kept)) if kept else float("nan"),
    )


def resting(noise: float, phi: float, runs: int) -> Rates:
    return rates(np.full(TIMES.size, 100.0), np.zeros(TIMES.size, dtype=bool), noise, phi, runs=runs)


def drifting(noise: float, phi: float, runs: int, times: float = 2.0) -> Rates:
    """Slope × window is `times` the tolerance: never steady."""
    return rates(100.0 + times * TOLERANCE / WINDOW_S * TIMES, np.ones(TIMES.size, dtype=bool), noise, phi, runs=runs)


def settling(noise: float, phi: float, runs: int, tau: float) -> Rates:
    """A first-order approach after a jump of half the limit: moving until its slope × window is the tolerance."""
    left = JUMP * np.exp(-TIMES / tau)
    return rates(100.0 - left, left * WINDOW_S / tau > TOLERANCE, noise, phi, runs=runs)


def main(runs: int = 300) -> None:
    def percent(share: float) -> str:
        return f"{100 * share:.2f} %"

    def delays(r: Rates) -> str:
        return f"{r.delay:.1f} / {r.long_delay:.1f} s"

    def row(noise: float, phi: float) -> list[str]:
        rest, drift = resting(noise, phi, runs), drifting(noise, phi, runs)
        settle = [settling(noise, phi, runs, tau) for tau in (0.15, 0.5, 1.0)]
        false = max(s.false_runs for s in settle)
        missed = max(s.missed_runs for s in (rest, *settle))
        return [
            f"{noise} %", f"{phi}", delays(rest), percent(rest.kept), percent(missed), percent(drift.false_runs),
            percent(drift.false_steps), *map(delays, settle), percent(false),
        ]  # fmt: skip

    head = ("noise", "φ", "to steady at rest, median / 95 %", "kept", "missed runs", "drift: false runs", "false steps",
            "after a jump, τ 0.15 s", "τ 0.5 s", "τ 1 s", "false runs")  # fmt: skip
    show(head, (row(noise, phi) for noise in (0.05, 0.2, 0.5, 1.0) for phi in (0.0, 0.2, 0.4, 0.6)))


if __name__ == "__main__":
    main()
