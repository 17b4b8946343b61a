"""Switch and valve by the signals."""

import math
from dataclasses import replace

import pytest

from daq.measure.convert import BITS, Column
from daq.measure.flow import Flow
from daq.measure.steps import Step
from daq.procedure.signals import OFF_S, Switch, back_at_zero, pumps, valve_by_signals
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
    assert changes == [(0.05, True), (1.45, False)]
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
    switch, changes = switched([(3.0, 13.5, 0.0)])
    assert (switch.on, changes) == (True, [(0.05, True)])
    switch, changes = switched([(3.0, 13.5, 0.0), (1.0, 0.0, 0.0)])
    assert changes[-1] == (3.05, False)
    assert (switch.on_at, switch.off_at, switch.on_s) == pytest.approx((0.0, 3.0, 3.0))


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


@pytest.mark.parametrize(
    ("pressure", "flow", "expected"),
    [
        (4.9e3, SILENT, True),
        (-4.9e3, SILENT, True),
        (5.1e3, SILENT, False),
        (-5.1e3, SILENT, False),
        (line(60) + 4.9e3, flowing(60), True),
        (line(60) + 5.1e3, flowing(60), False),
        (5.1e3 + line(30), BELOW, False),
    ],
)
def test_pressure_comes_back_to_its_zero_but_for_what_still_flows(pressure: float, flow: Flow, expected: bool) -> None:
    assert back_at_zero(step_with(pressure=pressure, flow=flow), CHANNELS) is expected
