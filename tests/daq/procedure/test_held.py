"""Whether pressure that is left after power-off is the unit's own."""

import math
from collections.abc import Sequence
from dataclasses import replace

import pytest

from daq.measure.channels import PressureInput
from daq.measure.steps import Step
from daq.procedure.fitness import Fitness
from daq.procedure.held import Held, why_not_held
from tests.daq.measure.blocks import CHANNELS
from tests.daq.procedure.bench import pump
from tests.daq.procedure.pipes import step_of

OFF_AT, STEP_S = 5.0, 0.05
PRESSURE: PressureInput = replace(CHANNELS.pressure, compliance=1.5e-12, compliance_doubt=0.3)


def hold(pressures: Sequence[float] = (), tau: float = 60.0, seconds: float = 10.0) -> list[Step]:
    """500 kPa under power until `OFF_AT`, then these pressures, then what decays from the last of them."""
    steps = [step_of(k, STEP_S * (k + 1), 500e3, 0.0) for k in range(100)]
    last = pressures[-1] if pressures else 500e3
    after = [*pressures, *(last * math.exp(-k * STEP_S / tau) for k in range(round(seconds / STEP_S)))]
    return steps + [step_of(100 + k, OFF_AT + STEP_S * (k + 1), p, 0.0) for k, p in enumerate(after)]


def why(steps: Sequence[Step], unshut_at: float = -math.inf) -> str:
    return why_not_held(Held("residual", steps, STEP_S, OFF_AT, unshut_at), Fitness(pump()), PRESSURE)


@pytest.mark.parametrize("tau", [0.5, 2.0, 60.0])
def test_a_unit_that_holds_or_leaks_is_read(tau: float) -> None:
    assert why(hold(tau=tau)) == ""


def test_a_pump_that_runs_down_behind_a_check_valve_that_stays_open_is_read() -> None:
    """Its head goes with the square of its speed, which the inertia keeps up for a tenth of a second."""
    head = [500e3 * max(1.0 - (k + 0.5) * STEP_S / 0.15, 0.0) ** 2 for k in range(6)]
    assert why(hold(head)) == ""


@pytest.mark.parametrize("share", [0.0, 0.05])
def test_a_unit_taken_off_with_its_power_is_not(share: float) -> None:
    assert why(hold([500e3 * share * 0.5, 0.0, 0.0])).startswith("pressure lost at once")


@pytest.mark.parametrize("at", [1.1, 3.0, 9.0])
@pytest.mark.parametrize("left", [0.0, 0.3])
def test_a_unit_taken_off_later_is_not(at: float, left: float) -> None:
    steps = [replace(s, pressure=s.pressure * (left if s.t > OFF_AT + at else 1.0)) for s in hold()]
    assert why(steps).startswith("pressure lost at once")


def test_a_valve_that_is_sensed_open_is_not_shut() -> None:
    assert why(hold(), OFF_AT + 4.0) == "valve not shut"
    assert why(hold(), OFF_AT - 2.0) == ""


@pytest.mark.parametrize(("edges", "says"), [(0, ""), (1, ""), (2, "flow after power-off: was the valve opened?")])
def test_pulses_of_what_the_hose_gives_back(edges: int, says: str) -> None:
    """It is less than a millilitre: too few pulses to close a step of flow."""
    steps = [replace(s, edges=edges if s.t > OFF_AT + 3.0 else 0) for s in hold()]
    assert why(steps) == says
