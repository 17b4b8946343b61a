"""Isotonic regression: R. E. Barlow et al., Statistical Inference under Order Restrictions (1972; title from memory):
pool adjacent violators. scipy's function of the same purpose stands witness in the tests.
"""

import numpy as np

from daq.measure.convert import Floats


def isotonic(values: Floats, weights: Floats, rising: bool) -> Floats:
    """The rising (or falling) sequence nearest to `values` by weighted least squares. Weights are positive."""
    sign = 1.0 if rising else -1.0
    pools: list[tuple[float, float, int]] = []
    for value, weight in zip((sign * values).tolist(), weights.tolist(), strict=True):
        mean, heavy, many = value, weight, 1
        while pools and pools[-1][0] > mean:
            before, weight_before, many_before = pools.pop()
            total = heavy + weight_before
            mean, heavy, many = (mean * heavy + before * weight_before) / total, total, many + many_before
        pools.append((mean, heavy, many))
    return sign * np.repeat([mean for mean, _, _ in pools], [many for _, _, many in pools])
