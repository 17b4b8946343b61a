"""Falls of pressure that no unit makes."""

from dataclasses import replace

import numpy as np
import pytest

from daq.measure.steps import Step
from daq.measure.sudden import AT, MOST_LEAK, NOISE, lost_at_once, most_lost
from tests.daq.measure.blocks import CHANNELS
from tests.daq.procedure.pipes import step_of

P = replace(CHANNELS.pressure, compliance=1.5e-12, compliance_doubt=0.3)


def steps(pressures: list[float]) -> list[Step]:
    return [step_of(k, 0.05 * (k + 1), p, 0.0) for k, p in enumerate(pressures)]


def test_the_bound_is_leak_over_compliance() -> None:
    """5 L/h out of 1.05e-12 m³/Pa: 1.32 MPa/s at 500 kPa, 66 kPa in a step; at a quarter of the pressure half of it."""
    assert pytest.approx(5.0 / 3.6e6) == MOST_LEAK
    assert most_lost(P, AT, 0.05) - NOISE == pytest.approx(66.1e3, rel=0.01)
    assert most_lost(P, 0.25 * AT, 0.05) - NOISE == pytest.approx(33.1e3, rel=0.01)
    assert most_lost(P, -1e3, 0.05) == NOISE


def test_a_stand_that_states_no_compliance_has_a_stiff_hose() -> None:
    stiff = replace(P, compliance=0.0)
    assert most_lost(stiff, AT, 0.05) > most_lost(P, AT, 0.05)


@pytest.mark.parametrize("held", [537e3, 343e3, 120e3, 50e3])
@pytest.mark.parametrize("share", [0.0, 0.3, 0.5])
def test_a_unit_taken_off(held: float, share: float) -> None:
    """Within a step, or astride two."""
    after = [held * share, *[0.0] * 5] if share else [0.0] * 5
    assert lost_at_once(P, steps([held] * 10 + after)) is not None


@pytest.mark.parametrize("seconds", [0.6, 2.0, 10.0, 300.0])
def test_a_check_valve_that_leaks_is_the_units(seconds: float) -> None:
    t = 0.05 * np.arange(200)
    rng = np.random.default_rng(4)
    leak = 537e3 * np.exp(-t / seconds) * (1.0 + 0.003 * rng.standard_normal(t.size))
    assert lost_at_once(P, steps(list(leak))) is None


def test_noise_of_a_rough_transducer_is_no_fall() -> None:
    """1.7 % of a single sample on the roughest rigs, a step at 50 scans a second being the mean of three."""
    rng = np.random.default_rng(4)
    held = 600e3 * (1.0 + 0.017 / np.sqrt(3) * rng.standard_normal(400))
    assert lost_at_once(P, steps(list(held))) is None
