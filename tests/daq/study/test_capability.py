"""Capability; published figures are in tests/published/."""

import numpy as np
import pytest

from daq.study.capability import capability, capability_of


def test_a_band_counts_by_its_nearer_limit() -> None:
    found = capability(np.array([9.0, 10.0, 11.0]), at_least=4.0, at_most=19.0)
    assert found is not None
    assert (found.n, found.mean, found.s) == (3, 10.0, 1.0)
    assert (found.cp, found.cpk) == (pytest.approx(2.5), pytest.approx(2.0))


def test_one_limit_has_no_band() -> None:
    least = capability(np.array([9.0, 10.0, 11.0]), at_least=4.0)
    most = capability(np.array([9.0, 10.0, 11.0]), at_most=4.0)
    assert least is not None
    assert most is not None
    assert (least.cp, least.cpk, most.cpk) == (None, pytest.approx(2.0), pytest.approx(-2.0))
    assert most.beyond == pytest.approx(1.0)


def test_the_interval_holds_the_true_capability_95_times_of_100() -> None:
    """n = 20 from N(0, 1) with a limit at −4: the true Cpk is 4/3."""
    drawn = np.random.default_rng(22514).standard_normal((4_000, 20))
    found = [capability(values, at_least=-4.0) for values in drawn]
    held = np.mean([f is not None and f.low <= 4 / 3 <= f.high for f in found])
    assert held == pytest.approx(0.95, abs=0.02)


def test_what_does_not_scatter_has_no_capability() -> None:
    for value in (1.0, 122.8 / 3, 0.1):  # a mean of twelve is not always the value itself
        assert capability(np.full(12, value), at_least=0.0) is None


def test_wrong_use() -> None:
    with pytest.raises(ValueError, match="needs a limit"):
        capability_of(10, 1.0, 1.0, None, None)
    with pytest.raises(ValueError, match="at least two values"):
        capability(np.ones(1), at_least=0.0)
