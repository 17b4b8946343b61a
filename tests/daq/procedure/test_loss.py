"""What was there and is gone: hose, lead or fluid, and never the unit's fault."""

from dataclasses import replace

import pytest

from daq.measure.convert import BITS, Column
from daq.measure.steps import Step
from daq.procedure.guards import Breach
from daq.procedure.loss import COASTS_S, HELD, SURE_S, Loss
from tests.daq.measure.blocks import CHANNELS, LITRES_PER_HOUR
from tests.daq.procedure.pipes import step_of

NO_FLOW_S = 5.0
TOLERANCE = CHANNELS.pressure.line_tolerance
FULL = 120 * LITRES_PER_HOUR


class Line:
    """Feeds a loss with steps that change as a test says."""

    def __init__(self, *, wet: bool = True, opened: bool = False) -> None:
        self.loss = Loss(CHANNELS, NO_FLOW_S, 0.15)
        self.wet, self.opened = wet, opened
        self.t, self.edges = 0.0, 0
        self.last = step_of(0, 0.0, 0.0, 0.0)

    def step(self, pressure: float, flow: float, **change: object) -> Step:
        self.t += 0.05
        self.edges += 7 if flow else 0
        made = replace(step_of(round(self.t / 0.05), self.t, pressure, flow), edges=self.edges)
        self.last = replace(made, **change)  # type: ignore[arg-type]
        return self.last

    def lasts(self, seconds: float, pressure: float, flow: float, **change: object) -> tuple[float, Breach] | None:
        """The first breach within so many seconds, and after how many."""
        begun = self.t
        for _ in range(round(seconds / 0.05)):
            found = self.loss.feed(self.step(pressure, flow, **change), wet=self.wet, opened=self.opened)
            if found is not None:
                return self.t - begun, found
        return None


def test_a_flow_that_ends_is_void_after_five_seconds() -> None:
    line = Line(opened=True)
    assert line.lasts(3.0, 12e3, FULL) is None
    caught = line.lasts(10.0, 0.0, 0.0)
    assert caught is not None
    assert caught[0] == pytest.approx(NO_FLOW_S, abs=0.06)
    assert (caught[1].code, caught[1].why, caught[1].quantity) == ("flow_ended", "flow ended", None)


def test_flow_that_comes_back_in_time_is_none() -> None:
    line = Line(opened=True)
    for _ in range(4):
        assert line.lasts(2.0, 12e3, FULL) is None
        assert line.lasts(NO_FLOW_S - 0.2, 0.0, 0.0) is None


def test_a_unit_that_never_pumped_has_not_ended() -> None:
    line = Line(opened=True)
    assert line.lasts(20.0, 0.0, 0.0) is None
    assert not line.loss.pumped


@pytest.mark.parametrize("change", [{"wet": False}, {"pressure": True}])
def test_nothing_is_looked_at_without_power_or_pressure(change: dict[str, bool]) -> None:
    line = Line(opened=True)
    assert line.lasts(3.0, 12e3, FULL) is None
    line.wet = change.get("wet", True)
    faulty = {"faulty": BITS[Column.PRESSURE]} if "pressure" in change else {}
    assert line.lasts(20.0, 0.0, 0.0, **faulty) is None
    line.wet = True
    caught = line.lasts(20.0, 0.0, 0.0)
    assert caught is not None
    assert caught[0] == pytest.approx(NO_FLOW_S, abs=0.06)  # counted from there


def test_pressure_behind_a_shut_valve_is_a_sign_of_life() -> None:
    line = Line()
    assert line.lasts(3.0, 12e3, FULL) is None
    assert line.lasts(20.0, 500e3, 0.0) is None


@pytest.mark.parametrize(("shown", "shut", "gone"), [(12e3, 4.9e3, True), (8e3, 4.5e3, False), (4e3, 0.0, False)])
def test_less_pressure_with_the_valve_shut_than_before_is_none_of_the_units(
    shown: float, shut: float, gone: bool
) -> None:
    """A unit that hardly showed any with the valve open may have hardly any at shutoff."""
    line = Line()
    assert line.lasts(3.0, shown, FULL) is None
    assert line.loss.gone(line.step(shut, 0.0), opened=False) is gone
    assert line.loss.gone(line.last, opened=True)  # where the valve is open, flow is what counts


@pytest.mark.parametrize("left", [0.0, 4.9e3])
def test_a_hose_that_slips_off_behind_a_shut_valve(left: float) -> None:
    line = Line()
    assert line.lasts(3.0, 500e3, 0.0) is None
    caught = line.lasts(3.0, left, 0.0)
    assert caught is not None
    assert caught[0] == pytest.approx(SURE_S + 0.05, abs=0.06)
    assert (caught[1].code, caught[1].quantity) == ("pressure_lost", None)


def test_a_fall_astride_two_steps_is_one() -> None:
    line = Line()
    assert line.lasts(3.0, 500e3, 0.0) is None
    assert line.lasts(0.05, 240e3, 0.0) is None
    caught = line.lasts(3.0, 0.0, 0.0)
    assert caught is not None
    assert caught[1].code == "pressure_lost"


def test_the_meter_may_run_down_before_it_is_sure() -> None:
    line = Line()
    assert line.lasts(3.0, 400e3, FULL) is None
    assert line.lasts(0.6, 0.0, FULL / 8) is None
    caught = line.lasts(3.0, 0.0, 0.0)
    assert caught is not None
    assert caught[0] == pytest.approx(SURE_S, abs=0.11)


def test_a_valve_that_is_opened_at_once_lets_flow_through() -> None:
    line = Line()
    assert line.lasts(3.0, 500e3, 0.0) is None
    assert line.lasts(COASTS_S + 5.0, 12e3, FULL) is None


def test_a_pressure_that_falls_slowly_or_only_in_part_is_not_lost() -> None:
    line = Line()
    assert line.lasts(3.0, 500e3, 0.0) is None
    assert line.lasts(5.0, 200e3, 0.0) is None  # a relief valve that gives way
    slow = Line()
    for k in range(100):
        assert slow.lasts(0.05, 500e3 * 0.93**k, 0.0) is None


def test_what_an_open_line_loses_is_no_hose() -> None:
    line = Line(opened=True)
    assert line.lasts(3.0, 0.9 * HELD, FULL) is None
    assert line.lasts(NO_FLOW_S - 0.2, 0.0, 0.0) is None


def test_a_unit_that_ran_and_draws_nothing_has_worked_before() -> None:
    line = Line(wet=False)
    assert line.lasts(1.0, 0.0, 0.0) is None
    assert line.loss.worked(line.step(0.0, 0.0, current=0.0))
    assert not line.loss.worked(line.step(0.0, 0.0))
    assert not Line().loss.worked(line.step(0.0, 0.0, current=0.0))
