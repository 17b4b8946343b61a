"""What a supply that can be set makes up: the drop in the leads, within bounds, and never while a window is open."""

import math

import numpy as np
import pytest

from daq.measure.convert import BITS, Column
from daq.measure.flow import Flow
from daq.measure.steps import STEP_S, Step
from daq.procedure.plan import Drive
from daq.procedure.supply import BEGINS_S, ROUNDS, SHARE, MakeUp
from tests.daq.procedure.bench import pump

PART = pump()
VOLTS = PART.test_voltage
LATE = 3
"""Steps until the terminals follow: a block, a lease, a supply."""


class Leads:
    """A supply that follows its setpoint LATE steps later, and leads that take `ohms` × 6 A of it."""

    def __init__(self, ohms: float, drive: Drive | None = None, noise: float = 0.01) -> None:
        self.drive = drive or Drive()
        self.made = MakeUp(self.drive, PART)
        self.drop, self._noise, self._rng = 6.0 * ohms, noise, np.random.default_rng(4)
        self.set = [VOLTS]
        self.terminals: list[float] = []

    def step(self, *, held: bool = False, faulty: int = 0, on: bool = True) -> float:
        k = len(self.terminals)
        volts = self.set[max(len(self.set) - LATE, 0)] - self.drop + self._noise * float(self._rng.standard_normal())
        self.terminals.append(volts)
        nothing = Flow(math.nan, 0.0, 0.0)
        step = Step(k, STEP_S * (k + 1), 0.0, volts, 6.0, 295.0, 0.0, nothing, None, False, faulty, 0, 0.0)
        self.set.append(self.made.step(step, step.t if on else None, held=held))
        return self.set[-1]

    def run(self, seconds: float, *, held: bool = False) -> None:
        for _ in range(round(seconds / STEP_S)):
            self.step(held=held)


@pytest.mark.parametrize("ohms", [0.0, 0.02, 0.05, 0.1])
def test_the_terminals_come_to_the_test_voltage(ohms: float) -> None:
    leads = Leads(ohms)
    leads.run(4.0)
    assert not leads.made.moving
    assert np.mean(leads.terminals[-10:]) == pytest.approx(VOLTS, abs=0.04)
    assert leads.made.setpoint == pytest.approx(VOLTS + 6.0 * ohms, abs=0.04)


def test_it_says_that_the_supply_moves_until_it_stands() -> None:
    leads = Leads(0.1)
    moving = []
    for _ in range(80):
        leads.step()
        moving.append(leads.made.moving)
    last = max(k for k, m in enumerate(moving) if m)
    changes = [k for k in range(80) if leads.set[k + 1] != leads.set[k]]
    assert moving[0]
    assert last > changes[-1] > BEGINS_S / STEP_S
    assert abs(leads.terminals[last + 1] - VOLTS) < 0.05


@pytest.mark.parametrize("rate", [0.1, 0.5, 2.0])
def test_it_changes_no_faster_than_stated(rate: float) -> None:
    leads = Leads(0.1, Drive(make_up_rate=rate))
    leads.run(8.0)
    across = round(0.6 / STEP_S)
    steps = np.array(leads.set)
    assert (steps[across:] - steps[:-across]).max() <= 0.9 * rate + 1e-9
    assert steps.max() > VOLTS + 0.1


@pytest.mark.parametrize(("make_up", "most"), [(0.0, 0.0), (0.3, 0.3), (2.0, SHARE * VOLTS)])
def test_it_is_bounded_whatever_is_missing(make_up: float, most: float) -> None:
    """Leads that drop 3 V, or a voltage channel that reads far too low."""
    leads = Leads(0.5, Drive(make_up=make_up, make_up_rate=5.0))
    leads.run(10.0)
    assert max(leads.set) <= VOLTS + most + 1e-9
    assert not leads.made.moving


def test_it_is_never_below_the_test_voltage() -> None:
    leads = Leads(-0.1)
    leads.run(4.0)
    assert min(leads.set) == VOLTS
    assert not leads.made.moving


def test_it_comes_down_again_with_the_current() -> None:
    leads = Leads(0.1)
    leads.run(4.0)
    leads.drop = 0.2
    leads.run(3.0)
    assert np.mean(leads.terminals[-10:]) == pytest.approx(VOLTS, abs=0.04)


def test_it_stays_while_a_window_is_open() -> None:
    leads = Leads(0.1)
    leads.run(4.0)
    stood = leads.made.setpoint
    leads.drop = 0.2
    leads.run(3.0, held=True)
    assert set(leads.set[-50:]) == {stood}
    assert not leads.made.moving


def test_it_forgets_with_power_off() -> None:
    leads = Leads(0.1)
    leads.run(4.0)
    assert leads.step(on=False) == VOLTS


@pytest.mark.parametrize("column", [Column.VOLTAGE, Column.CURRENT])
def test_a_channel_that_is_not_believed_moves_nothing(column: Column) -> None:
    leads = Leads(0.1)
    for _ in range(60):
        leads.step(faulty=BITS[column])
    assert set(leads.set) == {VOLTS}


def test_a_supply_that_never_stands_holds_up_nothing_for_ever() -> None:
    leads = Leads(0.05, noise=0.3)
    still = 0
    for _ in range(round(0.3 * 3 * ROUNDS / STEP_S)):
        leads.step()
        still += not leads.made.moving
    assert still > 0
    assert not leads.made.moving
