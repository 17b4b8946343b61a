"""Makes the table of daq/measure/tables.py that the R-statistic needs. Run: python -m tests.studies.tables"""

import math

import numpy as np

from daq.measure.ratio import Ratio
from daq.measure.tables import RATIO_PHI_STEP
from tests.studies.common import show

PHIS = tuple(round(k * RATIO_PHI_STEP, 2) for k in range(20))
SHARE = 0.995


def ratio_values(phi: float, count: int, seed: int = 1995, l1: float = 0.2, length: int = 400) -> np.ndarray:
    """R of `count` steady autoregressive series, every fifth of `length` steps once the start is forgotten."""
    rng = np.random.default_rng(seed)
    x = rng.standard_normal(count)
    ratio = Ratio(x, l1=l1)
    kept = []
    for step in range(length):
        x = phi * x + math.sqrt(1.0 - phi * phi) * rng.standard_normal(count)
        ratio.feed(x)
        if step >= 150 and step % 5 == 0:
            kept.append(ratio.value)
    return np.concatenate(kept)


def main() -> None:
    show(("φ", "99.5 % of R"), ((f"{phi}", f"{np.quantile(ratio_values(phi, 60_000), SHARE):.3f}") for phi in PHIS))


if __name__ == "__main__":
    main()
