"""How often the 95 % interval of a window's mean holds the true mean. Run: python -m tests.studies.mean"""

import numpy as np

from daq.measure.distributions import student_quantile
from daq.measure.uncertainty import mean_of
from tests.studies.common import autoregressive, show

PHIS = (0.0, 0.2, 0.4, 0.6)
LENGTHS = (20, 40, 80, 120, 200)


def coverage(phi: float, length: int, count: int, seed: int = 11) -> tuple[float, float]:
    """The share of intervals that hold the true mean, and the median half-width (in standard deviations)."""
    rng = np.random.default_rng(seed)
    means = [mean_of(window) for window in autoregressive(rng, phi, count, length)]
    halves = np.array([m.standard * student_quantile(0.975, m.dof) for m in means])
    return float(np.mean(np.abs([m.value for m in means]) <= halves)), float(np.median(halves))


def main() -> None:
    show(("steps", *(f"φ = {phi}" for phi in PHIS)), ([str(n), *(_cell(phi, n) for phi in PHIS)] for n in LENGTHS))


def _cell(phi: float, length: int) -> str:
    held, half = coverage(phi, length, 10_000)
    return f"{100 * held:.1f} % (± {half:.2f} σ)"


if __name__ == "__main__":
    main()
