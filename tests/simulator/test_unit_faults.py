"""What is wrong with a unit shows where it should, and only there. Spans are plausible, without a source."""

import pytest

from simulator.design import UnitDesign
from simulator.plant.plant import Plant
from simulator.truth import Steady, steady
from simulator.unit_faults import with_fault
from tests.simulator.common import depot

BOTH = pytest.mark.parametrize("unit", ["good-pump", "displacement"])


def faulty(unit: str, fault: str) -> UnitDesign:
    return with_fault(depot().unit(unit), fault)


def truths(design: UnitDesign) -> tuple[Steady, Steady]:
    """With the valve open and shut, at 13.5 V."""
    opened, shut = (steady(design.unit, depot().line, 13.5, travel, 296.15, 310.0) for travel in (1.0, 0.0))
    return opened, shut


def shares(unit: str, fault: str) -> dict[str, float]:
    """What a faulty unit does as a share of what it would do without the fault."""
    (o, s), (open_good, shut_good) = truths(faulty(unit, fault)), truths(depot().unit(unit))
    return {
        "flow": o.flow / open_good.flow,
        "current": o.current / open_good.current,
        "speed": o.speed / open_good.speed,
        "held": s.pressure / shut_good.pressure,
        "current shut": s.current / shut_good.current,
    }


@BOTH
def test_bearing_drag_costs_current_and_speed(unit: str) -> None:
    found = shares(unit, "bearing_drag")
    assert 1.3 < found["current"] < 2.0
    assert 0.75 < found["speed"] < 0.95
    assert found["flow"] < 0.95


@BOTH
def test_a_bad_segment_costs_a_little_speed(unit: str) -> None:
    found = shares(unit, "bad_segment")
    assert 0.93 < found["speed"] < 0.995
    assert 0.93 < found["current"] <= 1.0


@BOTH
def test_a_blocked_strainer_takes_flow_and_leaves_pressure(unit: str) -> None:
    found = shares(unit, "blocked_strainer")
    assert 0.55 < found["flow"] < 0.65
    assert 0.95 < found["held"] <= 1.0
    assert 0.95 < found["current"] <= 1.0


@BOTH
def test_a_weak_relief_takes_pressure_and_leaves_flow(unit: str) -> None:
    found = shares(unit, "weak_relief")
    assert found["held"] < 0.7
    assert found["current shut"] < 0.9
    assert found["flow"] == pytest.approx(1.0, abs=1e-6)


@BOTH
def test_air_takes_flow_and_a_little_current(unit: str) -> None:
    found = shares(unit, "air")
    assert 0.8 < found["flow"] < 0.95
    assert 0.9 < found["current"] < 1.0


@BOTH
def test_air_is_unsteady(unit: str) -> None:
    unrest = {}
    for name in ("air", ""):
        made = plant(faulty(unit, name) if name else depot().unit(unit))
        advance(made, 2.0)
        flows = [made.advance(50) for _ in range(100)]
        unrest[name] = (max(flows) - min(flows)) / max(flows)
    assert unrest["air"] > 0.1 > 20 * unrest[""]


@BOTH
def test_worn_it_gives_less(unit: str) -> None:
    found = shares(unit, "worn")
    assert found["flow"] < 0.9
    assert found["held"] < 0.99


@pytest.mark.parametrize("unit", ["good-pump", "displacement", "module"])
def test_a_leaking_check_valve_shows_after_power_off_only(unit: str) -> None:
    assert shares(unit, "leaking_check_valve")["flow"] == pytest.approx(1.0)
    left = {}
    for name in ("leaking_check_valve", ""):
        made = plant(faulty(unit, name) if name else depot().unit(unit))
        made.level = 1.0
        made.set_travel(0.0)
        advance(made, 3.0)
        before = made.pressure
        made.powered = False
        advance(made, 10.0)
        left[name] = made.pressure / before
    assert left["leaking_check_valve"] < 0.3
    assert left[""] > 0.95


def plant(design: UnitDesign) -> Plant:
    made = Plant(design.unit, depot().line, design.supply, depot().bath)
    made.connected = made.immersed = made.powered = True
    return made


def advance(made: Plant, seconds: float) -> None:
    for _ in range(round(seconds * 100)):
        made.advance(10)
