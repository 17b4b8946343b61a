"""The simulated pump against published laws; none of them is written into it as such."""

from math import pi

import pytest

from simulator.plant.gerotor import Gerotor
from simulator.plant.motor import Motor
from simulator.plant.turbine import Turbine
from tests.published.rows import rows

RPM = 2 * pi / 60
LITRES_PER_HOUR = 1 / 3.6e6

# Affinity laws (similarity) of rotodynamic pumps, e.g. the speed translation of ISO 9906:2012 (clause from memory).
AFFINITY = [
    (6600.0, 110.0, 3.63, 79.86),
    (5400.0, 90.0, 2.43, 43.74),
]


def pump_through_the_known_point() -> Turbine:
    """A turbine that gives 100 L/h at 3.00 bar and takes 60.0 W of shaft power at 6 000 rev/min."""
    speed, flow, pressure = 6000 * RPM, 100 * LITRES_PER_HOUR, 3.0e5
    leak = 6 * LITRES_PER_HOUR
    head = 9.0e5
    top = (flow + leak * (pressure / head) ** 0.5) / (1 - pressure / head)
    torque = 60.0 / speed
    drag = 0.4 * torque
    return Turbine(speed, top, head, leak, drag, efficiency=top / speed * pressure / (torque - drag))


@rows("V8.1", "V8.2")
@pytest.mark.parametrize(("rpm", "litres_per_hour", "bar", "watts"), AFFINITY)
def test_affinity_laws_follow_from_the_equations(rpm: float, litres_per_hour: float, bar: float, watts: float) -> None:
    pump = pump_through_the_known_point()
    speed, flow = rpm * RPM, litres_per_hour * LITRES_PER_HOUR
    pressure = pump.head_at(flow, speed)
    assert pressure == pytest.approx(bar * 1e5, rel=2e-4)  # the smoothing of the leak near no pressure costs the rest
    assert pump.torque(pressure, speed) * speed == pytest.approx(watts, rel=2e-4)


@rows("V8.1")
def test_the_known_point_itself() -> None:
    pump = pump_through_the_known_point()
    assert pump.head_at(100 * LITRES_PER_HOUR, 6000 * RPM) == pytest.approx(3.0e5, rel=2e-4)
    assert pump.delivery(3.0e5, 6000 * RPM)[0] == pytest.approx(100 * LITRES_PER_HOUR, rel=2e-4)


@rows("V8.1", "V8.2")
@pytest.mark.parametrize(("rpm", "litres_per_hour"), [(6600.0, 110.0), (5400.0, 90.0)])
def test_a_displacement_pump_keeps_its_pressure(rpm: float, litres_per_hour: float) -> None:
    """The affinity laws hold for rotodynamic pumps; a displacement pump gives flow in proportion to speed at the same
    pressure, but for what leaks back at that pressure whatever the speed (principle; no printed source)."""
    leak = 6 * LITRES_PER_HOUR
    pump = Gerotor(displacement=106 * LITRES_PER_HOUR / (6000 * RPM), leak=leak / 3.0e5, drag=0.0, efficiency=1.0)
    assert pump.delivery(3.0e5, 6000 * RPM)[0] == pytest.approx(100 * LITRES_PER_HOUR, rel=1e-9)
    found = pump.delivery(3.0e5, rpm * RPM)[0] + leak
    assert found == pytest.approx(litres_per_hour / 100 * 106 * LITRES_PER_HOUR, rel=1e-9)
    assert pump.torque(3.0e5, rpm * RPM) == pytest.approx(pump.torque(3.0e5, 6000 * RPM), rel=1e-9)


@rows("V8.3")
def test_torque_and_speed_constant_are_one_number() -> None:
    """k_t in mN·m/A times k_n in rev/min/V is 30 000/π, since k_e = k_t in SI units (identity)."""
    motor = Motor(constant=0.0145, resistance=0.8, inertia=4e-6, friction=0.0)
    per_ampere = motor.torque(1.0) * 1e3
    per_volt = 1.0 / (motor.back_emf(RPM))
    assert per_ampere * per_volt == pytest.approx(9549.2966, rel=1e-6)


@rows("V8.4")
def test_speed_and_torque_of_a_motor() -> None:
    """U = E + I·R and T = k·I (recomputed from first principles)."""
    motor = Motor(constant=0.012, resistance=0.5, inertia=4e-6, friction=0.0)
    speed = 916.0 + 2 / 3
    assert motor.back_emf(speed) == pytest.approx(11.0, rel=1e-6)
    assert speed / RPM == pytest.approx(8753.52, rel=1e-6)
    assert motor.current(13.5, speed, motor.resistance_at(293.15)) == pytest.approx(5.0, rel=1e-6)
    assert motor.torque(5.0) == pytest.approx(0.060, rel=1e-6)
    assert motor.torque(5.0) * speed == pytest.approx(55.0, rel=1e-6)


@rows("V3.9")
def test_copper_winding_gets_warm() -> None:
    """α(20 °C) = 0.003 93 /K for annealed copper, IEC 60028 (1925; standard from memory)."""
    motor = Motor(constant=0.012, resistance=0.5, inertia=4e-6, friction=0.0)
    assert motor.resistance_at(333.15) == pytest.approx(0.57860, abs=1e-5)


@rows("V3.10", "V3.11")
def test_copper_winding_by_the_other_form() -> None:
    """IEC 60034-1, resistance method (clause from memory): R2/R1 = (235 + t2)/(235 + t1) gives 0.578 431 Ω from 0.500 Ω
    at 20 °C for 60 °C, k = 234.5 gives 0.578 585 Ω; 20 to 75 °C is a ratio of 1.216 15 (α) or 1.216 11 (k = 234.5). The
    simulator has the α form: the same to 3e-4 and 5e-5."""
    motor = Motor(constant=0.012, resistance=0.5, inertia=4e-6, friction=0.0)
    at_60, ratio = motor.resistance_at(333.15), motor.resistance_at(348.15) / 0.5
    for k, ohms, close in ((235.0, 0.578431, 3e-4), (234.5, 0.578585, 5e-5)):
        assert 0.5 * (k + 60) / (k + 20) == pytest.approx(ohms, abs=1e-6)
        assert at_60 == pytest.approx(ohms, rel=close)
    assert (ratio, ratio) == (pytest.approx(1.21615, abs=1e-5), pytest.approx(1.21611, rel=5e-5))


@rows("V8.5")
@pytest.mark.parametrize(("segments", "per_revolution", "hertz"), [(8, 8, 800.0), (7, 14, 1400.0)])
def test_commutation_ripple(segments: int, per_revolution: int, hertz: float) -> None:
    """The lcm(poles, segments) ripples a revolution, two poles, 6 000 rev/min (derived; no printed source)."""
    motor = Motor(constant=0.012, resistance=0.5, inertia=4e-6, friction=0.0, segments=segments)
    assert motor.ripple_per_revolution() == per_revolution
    assert motor.ripple_per_revolution() * 100 == hertz
