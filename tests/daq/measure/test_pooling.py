"""Earlier runs of a part on a stand: pooled where they are of one process, and only as far as units are alike."""

import math

import numpy as np
import pytest

from daq.measure.pooling import FEW_DOF, history_of
from daq.measure.scatter import Differences, Known, scatter_of, variance_of
from tests.studies.common import autoregressive

NAME = "free_flow.flow"


def runs(scales: list[float], *, seed: int = 3, phi: float = 0.3, length: int = 40) -> list[dict[str, Differences]]:
    """Runs with one window each, whose noise is so many times as large."""
    drawn = autoregressive(np.random.default_rng(seed), phi, len(scales), length)
    return [{NAME: Differences.of(scale * window)} for scale, window in zip(scales, drawn, strict=True)]


def pooled(scales: list[float], **more: int) -> Known:
    return history_of(runs(scales, **more))[NAME]


def test_runs_that_are_alike_tell_all_that_they_saw() -> None:
    known = pooled([1.0] * 12)
    assert known.runs == 12
    assert known.differences == sum((r[NAME] for r in runs([1.0] * 12)), start=Differences())
    assert known.dof > 50.0
    assert variance_of(known.differences) == pytest.approx(1.0, rel=0.2)


def test_units_that_differ_tell_less_of_the_next_one() -> None:
    """Standard deviations that differ by 40 % from unit to unit are worth some six degrees of freedom: 2/ν is the
    variance of ln s², hence of 0.8."""
    spread = np.exp(0.4 * np.random.default_rng(5).standard_normal(20)).tolist()
    assert 2.0 < pooled(spread).dof < 12.0


def test_few_runs_promise_little() -> None:
    assert [pooled([1.0] * n).dof for n in (1, 2)] == [FEW_DOF, FEW_DOF]
    assert pooled([1.0], length=10).dof == len(range(8))  # no more than there are differences


def test_a_run_out_of_control_is_left_out() -> None:
    """A hose that trembled once says nothing of how the stand is else."""
    clean, one = pooled([1.0] * 11), pooled([*[1.0] * 11, 6.0])
    assert one.runs == 11
    assert variance_of(one.differences) == pytest.approx(variance_of(clean.differences), rel=0.25)  # another draw


def test_a_process_that_is_not_under_control_has_no_history() -> None:
    assert NAME not in history_of(runs([*[1.0] * 9, 30.0, 200.0, 1500.0]))


def test_channels_are_kept_apart_and_what_never_moved_is_left_out() -> None:
    flat = Differences.of(np.full(20, 7.0))
    told = history_of([*runs([1.0] * 3), {"shutoff.pressure": flat}, {"shutoff.current": Differences()}])
    assert list(told) == [NAME]
    assert history_of([]) == {}


def test_with_a_history_the_first_window_is_known_as_well_as_its_noise_lets_it_be() -> None:
    """Twenty values alone cannot show that they are independent; twelve earlier runs have."""
    known = history_of(runs([1.0] * 12, phi=0.0, length=60))[NAME]
    values = np.random.default_rng(8).standard_normal(20)
    alone, with_history = scatter_of(values), scatter_of(values, [known])
    assert with_history.half < 0.85 * alone.half
    assert with_history.standard == pytest.approx(1 / math.sqrt(20), rel=0.35)
