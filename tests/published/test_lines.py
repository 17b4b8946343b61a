"""Lines, valves and liquids: the simulator's hydraulics, and the stand's figures for them, against published ones.

The library `fluids` is the witness for flow through orifices and valves, CoolProp for properties of liquids. A test
marked "witness check" runs no code of this project: it holds a witness that others here use against printed figures.
"""

import math
from dataclasses import replace
from pathlib import Path

import fluids
import pytest
from CoolProp.CoolProp import PropsSI
from fluids.control_valve import size_control_valve_l
from fluids.flow_meter import C_Reader_Harris_Gallagher, differential_pressure_meter_solver, orifice_expansibility

from daq.catalogue import units
from daq.catalogue.load import load_catalogue, load_stand
from daq.catalogue.units import read
from daq.measure.flow import Flow
from daq.measure.steps import Step
from daq.procedure.fitness import FLUID_TEMPERATURE, Fitness, Place
from daq.procedure.guards import Guards, Situation
from daq.procedure.table import Valve
from simulator.plant.line import Line, through
from simulator.plant.meter import Meter, MeterDesign
from simulator.plant.plant import Bath, Plant
from simulator.scenario import load_scenario
from tests.published.rows import rows

CONFIG = Path(__file__).parents[2] / "config"
STANDS = ("stand.toml", "stand-driven.toml")
BAR = 1e5
LITRES_PER_HOUR = 1 / 3.6e6


def of_valve(kv: float, relative_density: float) -> float:
    """The resistance (Pa/(m³/s)²) of a valve with Kv in m³/h: so much water at 1 bar."""
    return BAR * relative_density / (kv / 3600.0) ** 2


@rows("V8.10")
def test_flow_through_a_valve() -> None:
    """IEC 60534-2-1, definition of Kv: Kv 0.1 m³/h, 4 bar, relative density 0.75 give 230.940 L/h."""
    assert through(4 * BAR, of_valve(0.1, 0.75))[0] / LITRES_PER_HOUR == pytest.approx(230.940, rel=1e-5)


@rows("V8.9", "V8.10")
def test_flow_through_a_large_valve() -> None:
    """IEC 60534-2-1, annex, example 1 (from memory; in the documentation of `fluids` 1.3): 965.4 kg/m³ from 680 to
    220 kPa, 0.1 m³/s need Kv = 165 m³/h. That library finds it, and our square-root law gives the flow back."""
    kv = size_control_valve_l(965.4, 70.1e3, 22120e3, 3.1472e-4, 680e3, 220e3, 0.1, 0.15, 0.15, 0.15, FL=0.9, Fd=0.46)
    assert kv == pytest.approx(164.995, abs=1e-3)
    assert round(kv) == 165
    assert through(460e3, of_valve(164.995, 965.4 / 999.1))[0] == pytest.approx(0.1, rel=1e-4)  # water of 15 °C


@rows("V8.11")
def test_flow_coefficients_of_two_systems() -> None:
    """IEC 60534-1: Cv 1 is Kv 0.864 978 m³/h (1 US gal/min at 1 psi), 1 Kv is 1.156 099 Cv. Here from the catalogue's
    units, with `fluids` as a witness."""
    one = read("1 US_gallon/min", units.FLOW) * 3600 / math.sqrt(read("1 psi", units.PRESSURE) / BAR)
    # The definition takes water of 60 °F and 1 000 kg/m³ for the same; the fifth digit is lost in that.
    assert one == pytest.approx(0.864978, abs=1e-4)
    assert (fluids.Cv_to_Kv(1.0), fluids.Kv_to_Cv(1.0)) == (
        pytest.approx(0.864978, abs=1e-6),
        pytest.approx(1.156099, abs=1e-6),
    )


@rows("V8.12")
def test_flow_through_an_orifice() -> None:
    """Q = Cd·A·√(2 Δp/ρ): Cd 0.61, 1.0 mm, 4 bar, 750 kg/m³ give 56.330 L/h."""
    area = math.pi / 4 * 1e-3**2
    assert through(4 * BAR, 750.0 / 2 / (0.61 * area) ** 2)[0] / LITRES_PER_HOUR == pytest.approx(56.330, rel=1e-5)


@rows("V8.8")
def test_flow_through_an_orifice_plate() -> None:
    """ISO 5167-2 by the documentation of `fluids` 1.3: D 73.66 mm, d 50 mm, 200 to 183 kPa, 999.1 kg/m³, 1.1 mPa·s,
    κ = 1.33, taps D and D/2: 7.702 338 kg/s. Coefficient and expansibility are that library's, the law is ours."""
    pipe, bore, p1, p2, density, mu, kappa = 0.07366, 0.05, 200e3, 183e3, 999.1, 0.0011, 1.33
    witness = differential_pressure_meter_solver(
        D=pipe, D2=bore, P1=p1, P2=p2, rho=density, mu=mu, k=kappa, meter_type="ISO 5167 orifice", taps="D"
    )
    assert witness == pytest.approx(7.702338, rel=1e-5)
    c = C_Reader_Harris_Gallagher(pipe, bore, density, mu, witness, "D")
    effective = c * orifice_expansibility(pipe, bore, p1, p2, kappa) * math.pi / 4 * bore**2
    resistance = density * (1 - (bore / pipe) ** 4) / 2 / effective**2
    assert through(p1 - p2, resistance)[0] * density == pytest.approx(7.702338, rel=1e-5)


def at_rest(line: Line, pressure: float, check_leak: float) -> Plant:
    """A pump of the depot without power against a shut valve, its check valve leaking."""
    scenario = load_scenario("depot")
    pump = scenario.unit("good-pump")
    unit = replace(pump.unit, outlet=replace(pump.unit.outlet, relief=9e6, check_leak=check_leak))
    plant = Plant(unit, line, pump.supply, Bath())
    plant.connected = plant.immersed = True
    plant.set_travel(0.0)
    plant.pressure = pressure
    return plant


def lost(modulus: float) -> float:
    """By how much 50 mL of the simulated line's liquid, shut in stiff walls at 400 kPa, fall when 5 µL leak out."""
    plant = at_rest(Line(1.0, compliance=50e-6 / modulus), 400e3, check_leak=1e-14)
    while plant.pumped > -5e-9:
        before = plant.pressure, plant.pumped
        plant.advance(1)
    (p0, v0), p1, v1 = before, plant.pressure, plant.pumped
    return 400e3 - (p0 + (p1 - p0) * (-5e-9 - v0) / (v1 - v0))


@rows("V8.14")
def test_leak_down_of_a_stiff_volume() -> None:
    """Definition of the bulk modulus, Δp = K·ΔV/V: 50 mL at 1.0 GPa lose 100 kPa with 5 µL."""
    assert lost(1e9) == pytest.approx(100e3, rel=1e-3)


@rows("V8.15")
@pytest.mark.parametrize(("liquid", "gigapascal"), [("n-Heptane", 0.715), ("Water", 2.179)])
def test_a_hose_gives_way_more_than_its_liquid(liquid: str, gigapascal: float) -> None:
    """Isothermal bulk modulus at 20 °C by CoolProp 8.0. What the shipped stand says its line takes up would be a litre
    or more of liquid alone: hose and air lower the modulus a lot (common practice, no source)."""
    modulus = 1.0 / PropsSI("ISOTHERMAL_COMPRESSIBILITY", "T", 293.15, "P", 101325, liquid)
    # One part in ten thousand of a line full of it is lost: Δp is a ten-thousandth of K.
    assert lost(modulus) * 1e4 / 1e9 == pytest.approx(gigapascal, rel=0.01)
    scenario = load_scenario("depot")
    assert scenario.line.compliance * lost(modulus) * 1e4 > 1e-3  # m³, where a hose of half a metre holds 0.02 L
    pressure = load_stand(CONFIG).stand.channels.pressure
    assert pressure.compliance == pytest.approx(scenario.line.compliance, rel=0.3)


DENSITIES = [
    pytest.param("Water", 4, 999.9749, 1e-5, id="V4.12, 4 °C"),
    pytest.param("Water", 20, 998.2067, 1e-5, id="V4.12, 20 °C"),
    pytest.param("Water", 25, 997.0470, 1e-5, id="V4.12, 25 °C"),
    pytest.param("n-Heptane", 15, 688.02, 1e-3, id="V4.14, 15 °C"),
    pytest.param("n-Heptane", 20, 683.82, 1e-3, id="V4.14, 20 °C"),
    pytest.param("n-Heptane", 25, 679.60, 1e-3, id="V4.14, 25 °C"),
    pytest.param("n-Heptane", 40, 666.82, 1e-3, id="V4.16, 40 °C"),
    pytest.param("n-Octane", 20, 702.61, 1e-3, id="V4.17, 20 °C"),
]


@pytest.mark.parametrize(("liquid", "celsius", "density", "relative"), DENSITIES)
def test_densities_by_the_witness(liquid: str, celsius: float, density: float, relative: float) -> None:
    """Witness check of CoolProp at 101.325 kPa. Water: M. Tanaka et al., Metrologia 38 (2001) 301 (recomputed from its
    formula, coefficients from memory); heptane and octane: as CoolProp 8.0 gave them, heptane 679.5 at 25 °C from
    memory."""
    found = PropsSI("D", "T", celsius + 273.15, "P", 101325, liquid)
    assert found == pytest.approx(density, rel=relative)


VISCOSITIES = [
    pytest.param("Water", 20, 1.0016, 1.0034, 0.002, id="V4.13, 20 °C"),
    pytest.param("Water", 25, 0.8900, 0.8927, 0.002, id="V4.13, 25 °C"),
    pytest.param("n-Heptane", 20, 0.4121, 0.6027, 0.03, id="V4.15, 20 °C"),
    pytest.param("n-Heptane", 25, 0.3901, 0.5740, 0.03, id="V4.15, 25 °C"),
    pytest.param("n-Heptane", 40, 0.3337, 0.3337 / 0.66682, 0.03, id="V4.16, 40 °C"),
    pytest.param("n-Octane", 20, 0.5441, 0.5441 / 0.70261, 0.02, id="V4.17, 20 °C"),
]


@pytest.mark.parametrize(("liquid", "celsius", "millipascal", "square_mm", "relative"), VISCOSITIES)
def test_viscosities_by_the_witness(
    liquid: str, celsius: float, millipascal: float, square_mm: float, relative: float
) -> None:
    """Witness check of CoolProp, in mPa·s and mm²/s. Water: IAPWS R12-08 (2008), 1.001 6 also that of ISO/TR 3666, from
    memory; heptane and octane: as CoolProp 8.0 gave them (literature 0.387 to 0.389 at 25 °C from memory)."""
    state = ("T", celsius + 273.15, "P", 101325, liquid)
    mu, density = PropsSI("V", *state), PropsSI("D", *state)
    assert mu * 1e3 == pytest.approx(millipascal, rel=relative)
    assert mu / density * 1e6 == pytest.approx(square_mm, rel=relative)


@rows("V8.13")
def test_reynolds_number_of_a_line() -> None:
    """Witness check. By definition: 6 mm bore, 120 L/h of water at 20 °C: v = 1.178 9 m/s, Re = 7 050."""
    speed = read("120 L/h", units.FLOW) / (math.pi / 4 * 6e-3**2)
    mu, density = (PropsSI(name, "T", 293.15, "P", 101325, "Water") for name in ("V", "D"))
    assert speed == pytest.approx(1.1789, rel=1e-3)
    assert fluids.Reynolds(V=speed, D=6e-3, rho=density, mu=mu) == pytest.approx(7050, rel=1e-3)


@rows("V4.18", "V10.3")
def test_the_shipped_stand_stays_below_a_heated_liquid() -> None:
    """ISO 4113:2010 (limits as in a preview of the Korean adoption): calibration oil flashes at 75 °C or above. 29 CFR
    1910.106(a)(19)(iv): from 16.7 °C below that, 58.3 °C, it counts as more dangerous. Every part that ships names that
    oil; fluid so warm ends its run on both stands that ship, and nothing is read in it."""
    heated = read("75 degC", units.TEMPERATURE) - read("16.7 K", units.TEMPERATURE_DIFFERENCE)
    assert heated == pytest.approx(read("58.3 degC", units.TEMPERATURE), abs=0.01)
    parts = [entry.part for entry in load_catalogue(CONFIG)]
    assert len(parts) >= 4
    warm = Step(0, 1.0, 300e3, 13.5, 5.0, heated, 0.0, Flow(3e-5, 3e-5, 3e-5), None, False, 0, 0, 300e3)
    running = Situation("free_flow", power=True, on_for=5.0, valve=Valve.OPEN, in_fluid=True)
    for stand, part in ((load_stand(CONFIG / name).stand, part) for name in STANDS for part in parts):
        assert part.fluid == "ISO 4113 calibration oil"
        breach = Guards(part, stand.limits).feed(warm, running)
        assert breach is not None
        assert (breach.code, breach.quantity) == ("fluid_hot", None)
        fit = replace(warm, voltage=part.test_voltage)
        assert Fitness(part).why_not(fit, Place("free_flow", 5.0)) == FLUID_TEMPERATURE


FLAT = MeterDesign(((100.0, 4.6e6),), lag=0.15)


def follows(seconds: float) -> float:
    """The share of a step of flow that the simulated meter's rotor has followed after so long."""
    meter = Meter(FLAT)
    steps = 1000
    for k in range(steps):
        meter.advance(1e-5, seconds / steps, k, 1)
    return meter.flow / 1e-5


@rows("V8.19")
def test_first_order_settling() -> None:
    """1 − exp(−t/τ): 63.21, 95.02, 98.17 % after 1, 3 and 4 time constants."""
    found = [100 * follows(k * FLAT.lag) for k in (1, 3, 4)]
    assert found == pytest.approx([63.21, 95.02, 98.17], abs=0.005)


@rows("V8.20", "V8.21")
def test_times_of_first_order_settling() -> None:
    """ln 50 and ln 20: within 2 and 5 % after 3.912 τ and 2.996 τ; ln 9: 10 to 90 % in 2.197 2 τ."""
    for taus, left in ((3.912, 0.02), (2.996, 0.05)):
        assert 1 - follows((taus - 0.001) * FLAT.lag) > left > 1 - follows((taus + 0.001) * FLAT.lag)
    tenth = math.log(10 / 9)
    assert (follows(tenth * FLAT.lag), follows((tenth + 2.1972) * FLAT.lag)) == (
        pytest.approx(0.1, abs=1e-5),
        pytest.approx(0.9, abs=1e-5),
    )
