"""The gauge study; the manual's worked example is in tests/published/."""

import numpy as np
import pytest

from daq.study.gauge import analyse, gauge


def drawn(seed: int, units: float, operators: float, mixed: float, repeats: float) -> "np.ndarray":
    """Twelve units, three operators, three tests, with these standard deviations."""
    rng = np.random.default_rng(seed)
    return (
        100.0
        + units * rng.standard_normal((12, 1, 1))
        + operators * rng.standard_normal((1, 3, 1))
        + mixed * rng.standard_normal((12, 3, 1))
        + repeats * rng.standard_normal((12, 3, 3))
    )


def test_components_are_found_again() -> None:
    found = [gauge(drawn(seed, 3.0, 1.0, 0.8, 0.5)) for seed in range(400)]
    assert np.mean([g.ev**2 for g in found if not g.pooled]) == pytest.approx(0.25, rel=0.05)
    assert np.mean([g.pv**2 for g in found]) == pytest.approx(9.0, rel=0.1)
    assert np.mean([g.av**2 for g in found]) == pytest.approx(1.0 + 0.64, rel=0.1)
    assert np.mean([g.pooled for g in found]) < 0.02


def test_an_interaction_that_is_chance_is_pooled() -> None:
    """Where there is none, three of four studies pool: that is what the limit of 0.25 says."""
    pooled = [gauge(drawn(seed, 3.0, 1.0, 0.0, 0.5)).pooled for seed in range(400)]
    assert np.mean(pooled) == pytest.approx(0.75, abs=0.07)


def test_squares_add_up_and_forget_the_level() -> None:
    values = drawn(1, 3.0, 1.0, 0.8, 0.5)
    total = float(((values - values.mean()) ** 2).sum())
    assert analyse(values).total.squares == pytest.approx(total, rel=1e-12)
    assert analyse(values).total.dof == values.size - 1
    assert gauge(values + 1e6).grr == pytest.approx(gauge(values).grr, rel=1e-6)


def test_one_operator_varies_against_nobody() -> None:
    found = gauge(drawn(2, 3.0, 1.0, 0.0, 0.5)[:, :1, :])
    assert found.av == 0.0
    assert found.grr == found.ev
    assert found.pooled


def test_a_gauge_without_scatter_tells_no_number_of_classes() -> None:
    values = np.repeat(np.arange(5.0), 6).reshape(5, 2, 3)
    found = gauge(values)
    assert (found.grr, found.distinct) == (0.0, None)
    assert found.share(found.pv) == 1.0
    assert gauge(np.ones((5, 2, 3))).share(0.0) == 0.0


@pytest.mark.parametrize("shape", [(1, 2, 2), (5, 0, 2), (5, 2, 1), (5, 2)])
def test_too_little(shape: tuple[int, ...]) -> None:
    with pytest.raises(ValueError, match="at least 2 units"):
        analyse(np.ones(shape))


def test_values_that_are_none() -> None:
    values = np.ones((5, 2, 2))
    values[0, 0, 0] = np.nan
    with pytest.raises(ValueError, match="finite"):
        gauge(values)
