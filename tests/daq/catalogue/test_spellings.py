"""Units as people spell them: read and told, or refused with the right spelling; never taken for something else."""

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from typer.testing import CliRunner

from daq.catalogue import units
from daq.catalogue.spellings import READ_AS
from daq.catalogue.units import UnitMistakeError, read, respelled
from daq.cli.root import app
from tests.daq.catalogue.conftest import Spoil

DIMENSIONS = {
    "psi": units.PRESSURE,
    "bar": units.PRESSURE,
    "mbar": units.PRESSURE,
    "kPa": units.PRESSURE,
    "hPa": units.PRESSURE,
    "L/h": units.FLOW,
    "L/min": units.FLOW,
    "A": units.CURRENT,
    "V": units.VOLTAGE,
    "W": units.POWER,
    "s": units.TIME,
    "min": units.TIME,
    "h": units.TIME,
    "Hz": units.FREQUENCY,
    "1/min": units.SPEED,
    "ohm": units.RESISTANCE,
    "degC": units.TEMPERATURE,
    "degF": units.TEMPERATURE,
    "%": units.SHARE,
}


def cases(text: str) -> st.SearchStrategy[str]:
    """The text in any mixture of capitals and small letters."""
    return st.tuples(*(st.sampled_from([c.lower(), c.upper()]) for c in text)).map("".join)


@settings(deadline=None)
@given(st.sampled_from(sorted(READ_AS)).flatmap(lambda spelling: cases(spelling).map(lambda said: (spelling, said))))
def test_a_spelling_is_read_as_the_unit_it_means(pair: tuple[str, str]) -> None:
    spelling, said = pair
    unit = READ_AS[spelling]
    if said in ("s", "h", "min", "S") and unit not in ("s", "h", "min"):
        return
    assert read(f"12.5 {said}", DIMENSIONS[unit]) == pytest.approx(read(f"12.5 {unit}", DIMENSIONS[unit]), rel=1e-12)
    assert respelled(f"12.5 {said}") in (None, f"12.5 {unit}")


@pytest.mark.parametrize(
    "written",
    ["95 PSI", "4 Bar", "95 lph", "95 LPH", "1.5 LPM", "95 L/H", "6.5 amps", "6.5 Amps", "13.5 VDC", "40 deg C"],
)
def test_it_says_how_it_was_read(written: str) -> None:
    assert respelled(written) is not None


@pytest.mark.parametrize(
    "written", ["95 psi", "4 bar", "95 L/h", "95 l/h", "1.5 L/min", "6.5 A", "40 degC", "40 °C", "6000 rpm"]
)
def test_the_usual_ones_are_nothing_to_talk_about(written: str) -> None:
    assert respelled(written) is None


# 1 US gallon: 231 in³ (NIST Handbook 44, appendix C); 1 imperial one: 4.546 09 L (UK Weights and Measures Act 1985).
@pytest.mark.parametrize(
    "unit", ["gph", "GPH", "gpm", "GPM", "gal/h", "gallon/hour", "Gallons/h", "qt/min", "pint/min", "fl_oz/min"]
)
def test_what_has_two_sizes_is_refused_with_both(unit: str) -> None:
    with pytest.raises(UnitMistakeError) as found:
        read(f"25 {unit}", units.FLOW)
    assert "US_gallon/h (3.785 L) or imperial_gallon/h (4.546 L)" in found.value.do
    assert read("1 US_gallon/h", units.FLOW) * 3600 == pytest.approx(231 * 0.0254**3, rel=1e-12)
    assert read("1 imperial_gallon/h", units.FLOW) * 3600 == pytest.approx(4.54609e-3, rel=1e-12)


@pytest.mark.parametrize(
    ("unit", "meant"), [("mpa", "MPa"), ("MPA", "MPa"), ("ma", "mA"), ("Ma", "mA"), ("mv", "mV"), ("kg/cm²", "kgf/cm²")]
)
def test_where_capitals_decide_it_is_asked_for(unit: str, meant: str) -> None:
    with pytest.raises(UnitMistakeError, match=f"did you mean {meant}"):
        read(f"1 {unit}", units.PRESSURE)


@pytest.mark.parametrize("unit", ["psig", "PSIG", "PSI(g)", "Barg", "barA", "KPAg"])
def test_gauge_in_a_unit_is_refused_in_any_case(unit: str) -> None:
    with pytest.raises(UnitMistakeError, match="the key `reference` says it"):
        read(f"1 {unit}", units.PRESSURE)


def test_the_check_of_a_configuration_says_how_values_are_read(config: Path, spoil: Spoil) -> None:
    spoil("parts/pump.toml", '"110 L/h"', '"110 LPH"')
    told = CliRunner().invoke(app, ["parts", "check", "--config", str(config)])
    assert told.exit_code == 0
    assert (
        f"{config}/parts/pump.toml: requirement[2] \"free flow\".at_least: '110 LPH' is read as '110 L/h'"
        in told.stderr
    )
