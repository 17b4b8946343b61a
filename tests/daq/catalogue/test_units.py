"""Texts with units: read into SI, refused with a message, never changed by the unit they are written in."""

import math
from contextlib import suppress

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daq.catalogue import units
from daq.catalogue.units import Dimension, UnitMistakeError, read, show

WAYS: list[tuple[Dimension, dict[str, float]]] = [
    (
        units.PRESSURE,
        {"Pa": 1.0, "kPa": 1e3, "MPa": 1e6, "bar": 1e5, "mbar": 1e2, "psi": 0.45359237 * 9.80665 / 0.0254**2},
    ),
    (
        units.FLOW,
        {"m³/s": 1.0, "L/h": 1e-3 / 3600, "l/min": 1e-3 / 60, "mL/s": 1e-6, "US_gallon/h": 231 * 0.0254**3 / 3600},
    ),
    (units.CURRENT, {"A": 1.0, "mA": 1e-3, "ampere": 1.0}),
    (units.VOLTAGE, {"V": 1.0, "mV": 1e-3, "kV": 1e3}),
    (units.TIME, {"s": 1.0, "ms": 1e-3, "min": 60.0, "h": 3600.0}),
    (units.RESISTANCE, {"ohm": 1.0, "mohm": 1e-3, "Ω": 1.0}),
    (units.PULSES, {"/m³": 1.0, "/L": 1e3, "1/L": 1e3, "/mL": 1e6}),
    (units.SHARE, {"%": 1e-2, "ppm": 1e-6}),
    (units.SPEED, {"Hz": 1.0, "/s": 1.0, "1/min": 1 / 60, "rpm": 1 / 60, "turn/s": 1.0, "rad/s": 1 / math.tau}),
    (units.COMPLIANCE, {"m³/Pa": 1.0, "mL/bar": 1e-11, "mL/kPa": 1e-9}),
    (units.PRESSURE_PER_TIME, {"Pa/s": 1.0, "kPa/s": 1e3, "kPa/min": 1e3 / 60, "mbar/s": 1e2}),
    (units.PRESSURE_PER_KELVIN, {"Pa/K": 1.0, "kPa/K": 1e3, "kPa/degC": 1e3}),
    (units.TEMPERATURE_DIFFERENCE, {"K": 1.0, "mK": 1e-3, "delta_degC": 1.0, "delta_degF": 5 / 9}),
]
"""Factors from the definitions of the units: 1 in = 25.4 mm, 1 lb = 0.453 592 37 kg, 1 gal = 231 in³."""

numbers = st.floats(min_value=-1e6, max_value=1e6, allow_nan=False)


@pytest.mark.parametrize(("dimension", "factors"), WAYS, ids=lambda value: getattr(value, "name", ""))
@settings(deadline=None)  # the first value read builds the registry
@given(si=numbers)
def test_the_unit_that_a_value_is_written_in_changes_nothing(
    dimension: Dimension, factors: dict[str, float], si: float
) -> None:
    for unit, factor in factors.items():
        assert read(f"{si / factor!r} {unit}", dimension) == pytest.approx(si, rel=1e-12, abs=1e-300)


@settings(deadline=None)  # the first value read builds the registry
@given(kelvin=st.floats(min_value=0, max_value=1e4))
def test_so_with_temperatures(kelvin: float) -> None:
    celsius = kelvin - 273.15
    for text in (f"{kelvin!r} K", f"{celsius!r} degC", f"{celsius!r} °C", f"{celsius * 1.8 + 32!r} degF"):
        assert read(text, units.TEMPERATURE) == pytest.approx(kelvin, abs=1e-9)


@settings(deadline=None)  # the first value read builds the registry
@given(text=st.text(max_size=20) | st.text(alphabet="Pabark1m2/*^² °%µ-.e(", max_size=8))
def test_no_text_does_more_than_be_refused(text: str) -> None:
    for written in (text, f"4 {text}"):
        with suppress(UnitMistakeError):
            assert math.isfinite(read(written, units.PRESSURE))


@pytest.mark.parametrize(
    ("written", "dimension", "found", "do"),
    [
        ("6 L", units.FLOW, "'6 L', which is a volume", "write a flow"),
        ("4 bar", units.FLOW, "'4 bar', which is a pressure", "write a flow"),
        ("40 degC", units.PRESSURE, "'40 degC', which is a temperature", "write a pressure"),
        ("2 kg*m", units.TIME, "'2 kg*m', which is of dimension [mass] * [length]", "write a time"),
        ("13.5", units.VOLTAGE, "'13.5' without a unit", "add the unit"),
        ("0.005", units.SHARE, "'0.005' without a unit", "add the unit"),
        (13.5, units.VOLTAGE, "13.5", "write the value in quotes, with its unit"),
        (True, units.VOLTAGE, "True", "write the value in quotes, with its unit"),
        ("4,5 bar", units.PRESSURE, "'4,5 bar', whose unit is unknown", "write a decimal point"),
        ("4 kbur", units.PRESSURE, "'4 kbur', whose unit is unknown", "use a unit of the expected kind"),
        ("four bar", units.PRESSURE, "'four bar'", "write a number (with a decimal point) and a unit"),
        ("nan bar", units.PRESSURE, "'nan bar'", "write a number (with a decimal point) and a unit"),
        ("1e999 bar", units.PRESSURE, "'1e999 bar', which is too large", "write a number that a float can hold"),
        ("4 barg", units.PRESSURE, "'4 barg'", "leave gauge or absolute out of the unit; the key `reference` says it"),
        (
            "58 psia",
            units.PRESSURE,
            "'58 psia'",
            "leave gauge or absolute out of the unit; the key `reference` says it",
        ),
        (
            "4 bar gauge",
            units.PRESSURE,
            "'4 bar gauge'",
            "leave gauge or absolute out of the unit; the key `reference` says it",
        ),
        ("10 degC", units.TEMPERATURE_DIFFERENCE, "'10 degC', a point on a scale", "write the difference in K"),
        ("10 delta_degC", units.TEMPERATURE, "'10 delta_degC', a difference", "write it in degC, degF or K"),
    ],
)
def test_what_is_refused_and_what_to_do(written: object, dimension: Dimension, found: str, do: str) -> None:
    with pytest.raises(UnitMistakeError) as refused:
        read(written, dimension)
    assert (refused.value.found, refused.value.do) == (found, do)
    assert refused.value.expected == f'{dimension.name} such as "{dimension.example}"'


@pytest.mark.parametrize(
    "dimension", [value for value in vars(units).values() if isinstance(value, Dimension)], ids=lambda d: d.name
)
def test_every_example_is_one(dimension: Dimension) -> None:
    value = read(dimension.example, dimension)
    assert read(show(value, dimension).replace("°C", "degC"), dimension) == pytest.approx(value)


def test_a_value_is_shown_in_the_units_of_the_trade() -> None:
    assert show(412_700.0, units.PRESSURE) == "412.7 kPa"
    assert show(110e-3 / 3600, units.FLOW) == "110 L/h"
    assert show(293.15, units.TEMPERATURE) == "20 °C"
    assert show(5e-3, units.RESISTANCE) == "5 mΩ"
    assert show(2.5e-6, units.per_volt(units.FLOW)) == "9 L/h/V"
