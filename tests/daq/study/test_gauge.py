"""The gauge study; the manual's worked example is in tests/published/."""

import numpy as np
import pytest
from scipy.stats import f as f_distribution

from daq.study.gauge import LEVELS, POOL_ABOVE, analyse, gauge


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


def test_the_level_at_which_it_pools_is_chosen_and_told() -> None:
    """Five units, two operators, two tests: 4 and 10 degrees of freedom. Repeats differ by ±1 and the second operator
    by ±2.2 from unit to unit: F = 2.42, which chance gives in 12 % of studies (scipy's F distribution)."""
    found = {level: gauge(mixed(), level) for level in LEVELS}
    assert LEVELS == (0.05, 0.25)
    anova = found[0.05].anova
    assert anova.interaction_f == pytest.approx(2.42)
    assert anova.interaction_p == pytest.approx(float(f_distribution.sf(2.42, 4, 10)), rel=1e-6)
    assert {level: (g.pooled, g.pool_above) for level, g in found.items()} == {0.05: (True, 0.05), 0.25: (False, 0.25)}
    assert gauge(mixed()) == found[POOL_ABOVE] == found[0.25]
    # kept: repeats alone; pooled: (4 × 4.84 + 10 × 2)/14 for both
    assert found[0.25].ev ** 2 == pytest.approx(2.0)
    assert found[0.05].ev ** 2 == pytest.approx((4 * 4.84 + 10 * 2.0) / 14)
    assert found[0.25].av ** 2 == pytest.approx((4.84 - 2.0) / 2)
    assert found[0.05].av == 0.0


def mixed() -> "np.ndarray":
    """[unit, operator, trial]; operators agree on the average."""
    unit = 520.0 + 5.0 * np.arange(5.0)[:, None, None]
    apart = 2.2 * np.array([1.0, -1.0, 1.0, -1.0, 0.0])[:, None, None] * np.array([0.0, 1.0])[None, :, None]
    return np.asarray(unit + apart + np.array([1.0, -1.0])[None, None, :])


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
