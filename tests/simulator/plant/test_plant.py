"""The plant keeps mass and energy, and behaves as pumps do."""

from dataclasses import replace

import pytest

from simulator.plant.line import Line
from simulator.plant.plant import STEP, Plant
from simulator.unit_faults import with_fault
from tests.simulator.common import LITRES_PER_HOUR, depot


def plant(unit: str = "good-pump", *faults: str) -> Plant:
    """A unit of the depot, connected and in the fluid, valve open, power off."""
    design = depot().unit(unit)
    for fault in faults:
        design = with_fault(design, fault)
    made = Plant(design.unit, depot().line, design.supply, depot().bath)
    made.connected = made.immersed = True
    return made


def run(made: Plant, seconds: float) -> Plant:
    for _ in range(round(seconds / STEP / 2)):
        made.advance(2)
    return made


def powered(unit: str = "good-pump", *faults: str, travel: float = 1.0, seconds: float = 3.0) -> Plant:
    made = plant(unit, *faults)
    made.set_travel(travel)
    made.powered = True
    return run(made, seconds)


@pytest.mark.parametrize("unit", ["good-pump", "displacement", "module"])
def test_what_leaves_the_pump_is_what_arrives_or_is_stored(unit: str) -> None:
    made = plant(unit)
    run(made, 2.0)
    made.powered = True
    for travel in (1.0, 0.3, 0.15, 0.0, 0.4):
        made.set_travel(travel)
        run(made, 1.0)
        stored = made.line.compliance * made.pressure
        gone = made.delivered + made.spilled + made.leaked
        assert made.pumped == pytest.approx(gone + stored, rel=1e-4, abs=1e-12)


def test_the_reservoir_holds_what_came_in_less_what_went_out() -> None:
    made = powered("module", travel=0.0, seconds=4.0)
    made.set_travel(1.0)
    level, out, spilled = made.level, made.pumped, made.spilled
    root = made.unit.module
    assert root is not None
    drawn = 0.0
    for _ in range(2000):
        made.advance(1)
        drawn += root.drawn_in(made.level, made.pump_pressure**0.5) * STEP
    change = (made.level - level) * root.volume
    assert change == pytest.approx(drawn + made.spilled - spilled - (made.pumped - out), rel=1e-2)


def test_electrical_power_becomes_heat_and_shaft_power() -> None:
    made = powered(travel=0.2)
    motor = made.unit.motor
    electrical = made.terminal_volts * made.current
    heat = made.current**2 * motor.resistance_at(made.winding)
    shaft = (made.unit.pump.torque(made.pump_pressure, made.speed, made.wet) + motor.friction) * made.speed
    assert electrical == pytest.approx(heat + shaft, rel=2e-3)


def test_the_fluid_takes_up_the_power_in_the_long_run() -> None:
    made = powered(seconds=1.0)
    before, winding = made.fluid, made.winding
    energy = 0.0
    for _ in range(100):
        made.advance(100)
        energy += made.terminal_volts * made.current * 100 * STEP
    taken = made.bath.heat_capacity * (made.fluid - before) + made.unit.motor.heat_capacity * (made.winding - winding)
    assert taken == pytest.approx(energy, rel=0.01)  # the rest went into the room


def test_a_smaller_step_changes_little(monkeypatch: pytest.MonkeyPatch) -> None:
    coarse = powered(travel=0.25, seconds=0.1)
    monkeypatch.setattr("simulator.plant.plant.STEP", STEP / 10)
    fine = plant()
    fine.set_travel(0.25)
    fine.powered = True
    fine.advance(1000)
    assert coarse.speed == pytest.approx(fine.speed, rel=0.01)
    assert coarse.pressure == pytest.approx(fine.pressure, rel=0.01)


def test_free_flow_and_shutoff_lie_where_such_pumps_lie() -> None:
    """Spans: common practice, no source."""
    for unit in ("good-pump", "high-pressure"):
        free, shut = powered(unit), powered(unit, travel=0.0)
        assert 95 < free.flow / LITRES_PER_HOUR < 150
        assert 5_000 < free.speed * 9.5493 < 8_000
        assert 3 < free.current < shut.current < 8
        assert 550e3 < shut.pressure < 700e3
        assert shut.flow == 0.0


def test_the_open_line_holds_back_what_the_scenario_says() -> None:
    made = powered()
    assert made.pressure == pytest.approx(12e3 * (made.flow / (120 * LITRES_PER_HOUR)) ** 2, rel=1e-3)


def test_the_first_half_of_the_needle_valve_changes_little() -> None:
    """Under a tenth of the flow, as on real rigs."""
    assert 0.9 < powered(travel=0.5).flow / powered().flow < 1.0


def test_a_line_shut_lets_nothing_through() -> None:
    line = Line(resistance=1e13)
    assert line.resistance_at(0.0) == float("inf")
    assert line.resistance_at(1.0) == pytest.approx(1e13)


def test_the_starting_current_is_that_of_a_motor_at_rest() -> None:
    made = plant()
    made.powered = True
    made.advance(1)
    stalled = made.volts / (made.unit.motor.resistance_at(made.winding) + made.supply.resistance)
    assert 0.7 * stalled < made.current < stalled


def test_the_check_valve_holds_the_pressure() -> None:
    """What is lost, the stand itself loses: 0.4 kPa/s at 500 kPa, as its configuration says."""
    made = powered(travel=0.0)
    before = made.pressure
    made.powered = False
    run(made, 10.0)
    assert made.speed == 0.0
    lost = before - made.pressure
    assert lost / 10.0 == pytest.approx(400.0 * before / 500e3, rel=0.2)


def test_a_shut_line_follows_the_temperature_of_its_fluid() -> None:
    """By 5 kPa/K, as the stand's configuration says."""
    made = plant()
    made.line = replace(made.line, leak=0.0)
    made.unit = replace(made.unit, outlet=replace(made.unit.outlet, check_leak=0.0))
    made.set_travel(0.0)
    made.pressure = 300e3
    run(made, 1.0)
    before, warm = made.pressure, made.hose
    made.fluid += 4.0
    run(made, 30.0)
    assert made.hose - warm > 1.0
    assert (made.pressure - before) / (made.hose - warm) == pytest.approx(5e3, rel=0.02)


@pytest.mark.parametrize("unit", ["good-pump", "displacement", "module-return"])
def test_long_strides_come_to_the_same(unit: str) -> None:
    """Through spin-up, a valve that shuts, power off and on again; steady values within a hundredth of a percent."""
    short, long = plant(unit), plant(unit)
    for stride, made in ((1, short), (40, long)):
        made.return_held = True
        made.level = 1.0
        states = []
        for travel, on in ((1.0, True), (0.25, True), (0.0, True), (0.0, False), (0.0, True), (1.0, True)):
            made.set_travel(travel)
            made.powered = on
            for _ in range(75):
                made.advance(40, stride)
            states.append((made.pressure, made.flow, made.current, made.speed))
        if made is short:
            expected = states
    for found, known in zip(states, expected, strict=True):
        assert found == pytest.approx(known, rel=1e-4, abs=1e-9)


def test_a_displacement_pump_lies_where_such_pumps_lie() -> None:
    """Speed 3 000 to 4 500 rev/min: common practice, no source."""
    free, shut = powered("displacement"), powered("displacement", travel=0.0)
    assert 95 < free.flow / LITRES_PER_HOUR < 150
    assert 3_000 < shut.speed * 9.5493 < free.speed * 9.5493 < 4_500
    assert 1 < free.current < shut.current < 5
    assert 550e3 < shut.pressure < 700e3


def test_only_a_displacement_pump_pulsates() -> None:
    """0.5 to 1.7 % of the reading at pressure, rms, as was seen on real rigs with pulsating pumps."""
    assert powered(travel=0.25).pulsation() == 0.0
    made = powered("displacement", travel=0.25)
    assert 0.005 < made.pulsation() / 2**0.5 / made.pressure < 0.017
    assert plant("displacement").pulsation() == 0.0


def test_terminals_show_the_back_emf_after_power_off() -> None:
    made = powered()
    made.powered = False
    made.advance(1)
    assert made.current == 0.0
    assert made.terminal_volts == pytest.approx(made.unit.motor.constant * made.speed)


def test_dry_it_turns_fast_draws_little_and_moves_nothing() -> None:
    made = plant()
    made.immersed = False
    made.powered = True
    run(made, 1.3)
    assert made.delivered < 1e-9
    assert made.pressure == 0.0
    assert 0.5 < made.current < 0.6 * powered().current


def test_seized_it_draws_what_its_winding_lets_through() -> None:
    made = powered("good-pump", "seized")
    assert made.speed == 0.0
    assert made.flow == 0.0
    expected = made.volts / (made.unit.motor.resistance_at(made.winding) + made.supply.resistance)
    assert made.current == pytest.approx(expected, rel=1e-3)


def test_worn_it_gives_less_everywhere() -> None:
    assert powered("good-pump", "worn").flow < 0.85 * powered().flow
    assert powered("good-pump", "worn", travel=0.0).pressure < 0.7 * powered(travel=0.0).pressure


def test_a_sagging_supply_sags_with_the_current() -> None:
    free, shut = powered("sagging-supply"), powered("sagging-supply", travel=0.0)
    assert free.terminal_volts < 13.5 - 0.3
    assert shut.terminal_volts < free.terminal_volts - 0.2


def test_a_module_fills_then_empties_at_free_flow() -> None:
    made = powered("module", travel=0.0, seconds=0.0)
    filled = 0.0
    while made.level < 0.99:
        run(made, 0.1)
        filled += 0.1
        assert filled < 20
    assert 8 < filled < 15
    assert 380e3 < made.pressure < 420e3
    made.set_travel(1.0)
    emptied = 0.0
    while made.flow > 90 * LITRES_PER_HOUR or emptied < 1.0:
        run(made, 0.1)
        emptied += 0.1
        assert emptied < 40
    assert 20 < emptied < 30


def test_a_return_line_keeps_the_reservoir_full() -> None:
    made = powered("module-return", travel=0.0, seconds=20.0)
    made.return_held = True
    made.set_travel(1.0)
    run(made, 30.0)
    assert made.level > 0.95


def test_without_its_jet_a_module_never_fills() -> None:
    made = powered("never-fills", travel=0.0, seconds=30.0)
    assert made.level < 0.15
    assert made.pressure > 380e3


def test_not_connected_it_gets_no_power() -> None:
    made = plant()
    made.connected = False
    made.powered = True
    run(made, 1.0)
    assert made.speed == 0.0
