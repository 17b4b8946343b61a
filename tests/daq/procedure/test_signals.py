"""Switch and valve by the signals."""

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
import pytest

from daq.measure.convert import BITS, Column
from daq.measure.flow import Flow
from daq.measure.steps import Step
from daq.procedure.signals import OFF_S, Switch, pumps, valve_by_signals
from daq.procedure.table import Valve
from tests.daq.measure.blocks import CHANNELS, LITRES_PER_HOUR, PRESSURE

SILENT = Flow(math.nan, 0.0, 2 * LITRES_PER_HOUR, silent=True)
BELOW = Flow(math.nan, 0.0, 30 * LITRES_PER_HOUR)


def flowing(litres_per_hour: float) -> Flow:
    q = litres_per_hour * LITRES_PER_HOUR
    return Flow(q, q, q)


def step_with(**more: object) -> Step:
    step = Step(0, 0.0, 0.0, 0.0, 0.0, 293.0, 0.0, SILENT, None, False, 0, 0, 0.0)
    return replace(step, **more)  # type: ignore[arg-type]  # names of fields with their values


def switched(levels: list[tuple[float, float, float]]) -> tuple[Switch, list[tuple[float, bool]]]:
    """Seconds, volts and amperes one after the other; the switch, and when it said what."""
    switch, changes, n = Switch(13.5, 0.15), [], 0
    for seconds, volts, amperes in levels:
        for _ in range(round(seconds / 0.05)):
            n += 1
            step = Step(n, n * 0.05, 0.0, volts, amperes, 293.0, 0.0, SILENT, None, False, 0, 0, 0.0)
            if switch.feed(step):
                changes.append((pytest.approx(step.t), switch.on))
    return switch, changes


def test_on_at_half_the_test_voltage() -> None:
    switch, changes = switched([(1.0, 6.7, 0.0), (1.0, 6.8, 4.0)])
    assert changes == [(1.05, True)]
    assert switch.on_at == pytest.approx(1.0)
    assert switch.on_s == pytest.approx(1.0)


def test_off_is_told_by_the_current() -> None:
    """A motor that runs down holds the terminals up for a while; the switch opened when the current ended."""
    switch, changes = switched([(1.0, 13.5, 5.0), (0.4, 9.0, 0.0), (0.6, 3.0, 0.0)])
    assert changes == [(0.05, True), (1.2, False)]
    assert switch.off_at == pytest.approx(1.0)
    assert switch.on_s == pytest.approx(1.0)


def test_off_needs_some_time_without_current() -> None:
    """A brush that lifts is no switch."""
    switch, changes = switched([(1.0, 13.5, 5.0), (OFF_S - 0.05, 3.0, 0.0), (0.5, 13.5, 5.0)])
    assert changes == [(0.05, True)]
    assert switch.on


def test_current_that_flows_at_a_low_voltage_is_power() -> None:
    """A seized unit drags the supply down; that is not off."""
    switch, changes = switched([(1.0, 13.5, 5.0), (2.0, 5.0, 17.0)])
    assert changes == [(0.05, True)]
    assert switch.on


def test_an_open_circuit_unit_has_power_and_no_current() -> None:
    switch, changes = switched([(1.0, 0.0, 0.0), (3.0, 13.5, 0.0)])
    assert (switch.on, changes) == (True, [(1.05, True)])
    switch, changes = switched([(1.0, 0.0, 0.0), (3.0, 13.5, 0.0), (1.0, 0.0, 0.0)])
    assert changes[-1] == (4.2, False)
    assert (switch.on_at, switch.off_at, switch.on_s) == pytest.approx((1.0, 4.0, 3.0))


def test_a_unit_that_goes_open_circuit_keeps_its_power() -> None:
    """The voltage stays although the current ends, until somebody switches off."""
    switch, changes = switched([(0.5, 0.0, 0.0), (1.0, 13.4, 5.0), (3.0, 13.5, 0.0), (1.0, 0.0, 0.0)])
    assert changes == [(0.55, True), (4.7, False)]
    assert (switch.off_at, switch.on_s) == pytest.approx((4.5, 4.0))


def test_a_voltage_that_was_there_first_is_no_power() -> None:
    """It is sensed before the switch: the current alone tells both ends."""
    switch, changes = switched([(2.0, 13.5, 0.0), (1.0, 13.4, 5.0), (2.0, 13.5, 0.0), (1.0, 13.4, 5.0)])
    assert changes == [(2.05, True), (3.2, False), (5.05, True)]
    assert switch.on_s == pytest.approx(2.0)


def test_a_seized_unit_that_drags_the_supply_down_from_the_start_has_power() -> None:
    switch, changes = switched([(1.0, 0.0, 0.0), (2.0, 4.0, 17.0)])
    assert (switch.on, changes) == (True, [(1.05, True)])
    switch, changes = switched([(1.0, 0.0, 0.0), (2.0, 0.2, 5.0)])
    assert (switch.on, changes) == (False, [])  # a current without any voltage is the channel's


@dataclass(frozen=True, slots=True)
class Motor:
    """What a switch and a motor do to voltage and current, 1 ms at a time: `spells` of power, `run_down` (s) to
    standstill, the `emf` that is left of the supply when the switch opens (constant until standstill with `plateau`),
    brushes that lift for 0.1 s each 0.7 s, and where the voltage is sensed."""

    spells: tuple[tuple[float, float], ...]
    run_down: float
    emf: float = 0.9
    plateau: bool = False
    brushes_lift: bool = False
    upstream: bool = False

    def steps(self, seconds: float) -> Iterator[Step]:
        generator = np.random.default_rng(5)
        for n in range(round(seconds / 0.05)):
            volts, amperes = np.mean([self._at(n * 0.05 + 0.001 * k) for k in range(50)], axis=0)
            volts += 0.02 * generator.standard_normal()
            amperes += 0.01 * generator.standard_normal()
            yield step_with(number=n, t=(n + 1) * 0.05, voltage=float(volts), current=float(amperes))

    def _at(self, t: float) -> tuple[float, float]:
        ended = -math.inf
        for on, off in self.spells:
            if on <= t < off:
                lifted = self.brushes_lift and 0.3 <= (t - on) % 0.7 < 0.4
                rush = 20.0 * math.exp(-(t - on) / 0.05)
                amperes = 0.0 if lifted else 4.0 + rush
                return 13.6 - 0.025 * amperes, amperes
            ended = off if t >= off else ended
        if self.upstream:
            return 13.6, 0.0
        left = 1.0 - (t - ended) / self.run_down
        return (0.0 if left <= 0.0 else 13.5 * self.emf * (1.0 if self.plateau else left)), 0.0


@pytest.mark.parametrize("upstream", [False, True])
@pytest.mark.parametrize("brushes_lift", [False, True])
@pytest.mark.parametrize("plateau", [False, True])
@pytest.mark.parametrize("run_down", [0.1, 0.3, 1.0, 3.0])
@pytest.mark.parametrize("off_for", [0.3, 0.55, 0.9, 5.0])
def test_power_is_on_while_it_is_applied(
    run_down: float, off_for: float, plateau: bool, brushes_lift: bool, upstream: bool
) -> None:
    """Whatever the motor does: both ends are found to a step, and nothing of the run-down counts."""
    for begin in np.arange(1.0, 1.05, 0.0083):
        spells = ((begin, begin + 1.6), (begin + 1.6 + off_for, begin + 3.6 + off_for))
        motor = Motor(spells, run_down, plateau=plateau, brushes_lift=brushes_lift, upstream=upstream)
        switch, seen, ons = Switch(13.5, 0.15), [], []
        for step in motor.steps(begin + 6.0 + off_for):
            if switch.feed(step) and switch.on:
                ons.append(switch.on_at)
            elif ons and not switch.on and len(seen) < len(ons):
                seen.append((ons[-1], switch.off_at))
        assert len(seen) == 2
        assert np.array(seen) == pytest.approx(np.array(spells), abs=0.051)
        assert switch.on_s == pytest.approx(3.6, abs=0.2)


@pytest.mark.parametrize("emf", [0.5, 0.9, 0.98])
def test_a_motor_that_hardly_slows_down_is_found_off_soon(emf: float) -> None:
    """A drop that lies within `DROP` is seen once the motor has slowed down by that."""
    switch, sure = Switch(13.5, 0.15), []
    for step in Motor(((1.0, 2.6),), 3.0, emf=emf).steps(5.0):
        switch.feed(step)
        sure.append(switch.sure)
    assert switch.off_at == pytest.approx(2.6, abs=0.15)
    assert sure.count(False) <= 4


def test_on_and_off_and_on() -> None:
    switch, changes = switched([(1.0, 13.5, 5.0), (1.0, 0.0, 0.0), (1.0, 13.5, 5.0)])
    assert changes == [(0.05, True), (1.2, False), (2.05, True)]
    assert switch.on_s == pytest.approx(2.0)
    assert switch.on_at == pytest.approx(2.0)


def test_a_current_that_is_not_believed_says_nothing_of_the_switch() -> None:
    """A stuck one would never end; one beyond its span is faulty too, and yet there."""
    switch = Switch(13.5, 0.15)
    on = step_with(voltage=13.5, current=5.0)
    for k, step in enumerate([on, *[replace(on, voltage=0.0, faulty=BITS[Column.CURRENT])] * 8]):
        switch.feed(replace(step, t=0.05 * k))
    assert not switch.on
    switch.feed(replace(on, t=1.0))
    for k in range(8):
        switch.feed(
            replace(on, t=1.05 + 0.05 * k, voltage=5.0, faulty=BITS[Column.CURRENT], above=BITS[Column.CURRENT])
        )
    assert switch.on


def test_nothing_on_is_nothing() -> None:
    switch, changes = switched([(5.0, 0.3, 0.02)])
    assert (switch.on, switch.on_s, changes) == (False, 0.0, [])


def line(litres_per_hour: float) -> float:
    """What the open line takes, Pa."""
    return PRESSURE.k_line * (litres_per_hour * LITRES_PER_HOUR) ** 2


@pytest.mark.parametrize(
    ("pressure", "flow", "assumed", "valve"),
    [
        (line(120), flowing(120), None, Valve.OPEN),
        (line(120) + 4.9e3, flowing(120), None, Valve.OPEN),
        (line(120) + 5.1e3, flowing(120), None, Valve.BETWEEN),
        (line(120), flowing(60), None, Valve.BETWEEN),
        (300e3, flowing(60), None, Valve.BETWEEN),
        (300e3, BELOW, None, Valve.BETWEEN),
        (300e3, SILENT, None, Valve.SHUT),
        (300e3, SILENT, Valve.OPEN, Valve.SHUT),
        (5.1e3, SILENT, None, Valve.SHUT),
        (1e3, BELOW, None, Valve.OPEN),
        # Neither pressure nor flow: a dead unit looks the same with the valve anywhere.
        (1e3, SILENT, Valve.OPEN, Valve.OPEN),
        (1e3, SILENT, Valve.SHUT, Valve.BETWEEN),
        (1e3, SILENT, None, Valve.BETWEEN),
        # Above the meter's table the line's pressure cannot be worked out.
        (line(200), Flow(math.nan, 5e-5, math.inf), Valve.OPEN, Valve.BETWEEN),
    ],
)
def test_where_the_valve_is(pressure: float, flow: Flow, assumed: Valve | None, valve: Valve) -> None:
    assert valve_by_signals(pressure, flow, CHANNELS, assumed) is valve


@pytest.mark.parametrize(
    ("pressure", "flow", "faulty", "expected"),
    [
        (0.0, flowing(120), 0, True),
        (0.0, flowing(120), BITS[Column.PRESSURE], True),
        (10.1e3, SILENT, 0, True),
        (9.9e3, SILENT, 0, False),
        (10.1e3, SILENT, BITS[Column.PRESSURE], False),
        (0.0, BELOW, 0, False),
    ],
)
def test_whether_a_unit_is_seen_to_pump(pressure: float, flow: Flow, faulty: int, expected: bool) -> None:
    """Line tolerance and limit of the zero are 5 kPa each here."""
    assert pumps(step_with(pressure=pressure, flow=flow, faulty=faulty), CHANNELS) is expected
