"""The R-statistic, and the table of its quantiles made again in part."""

import numpy as np
import pytest

from daq.measure.ratio import Ratio
from daq.measure.tables import RATIO_LIMITS, RATIO_PHI_STEP
from tests.studies.tables import SHARE, ratio_values


@pytest.mark.parametrize("entry", [0, 4, 8, 12])
def test_the_table_of_quantiles_can_be_made_again(entry: int) -> None:
    values = ratio_values(entry * RATIO_PHI_STEP, 8_000, seed=entry + 1)
    assert np.quantile(values, SHARE) == pytest.approx(RATIO_LIMITS[entry], rel=0.02)


def test_the_table_rises_to_the_highest_autocorrelation_in_use() -> None:
    assert list(RATIO_LIMITS) == sorted(RATIO_LIMITS)
    assert (len(RATIO_LIMITS) - 1) * RATIO_PHI_STEP == pytest.approx(0.95)


def test_a_constant_signal_never_exceeds() -> None:
    ratio = Ratio(5.0)
    ratio.feed(5.0)
    assert not ratio.exceeds(1.0)


def test_what_the_resolution_hides_counts_as_noise() -> None:
    ratio = Ratio(5.0, hidden=0.1)
    ratio.feed(5.0)
    assert ratio.value == pytest.approx(1.0)
    for k in range(60):
        ratio.feed(5.0 + 0.01 * k)
    assert ratio.value < 1.1
