"""Unit conversions of the catalogue against published factors.

Sources: NIST Special Publication 811 (2008), Appendix B.8, and the SI Brochure, 9th edition (2019), Table 8. The
factors of SP 811 follow from exact definitions: 1 in = 25.4 mm, 1 lb = 0.453 592 37 kg, g_n = 9.806 65 m/s²,
1 US gal = 231 in³.
"""

import numpy as np
import pytest

from daq.catalogue import units
from daq.catalogue.units import read
from daq.measure.channels import Channels, FlowInput, PressureInput, PressureKind, ShuntInput, VoltageInput
from daq.measure.flow import Flow
from daq.measure.reading import Reader, Supply, Window
from drivers.text_lines_header import read_header
from tests.published.rows import rows

SP811 = "NIST SP 811 (2008), Appendix B.8"
SI_BROCHURE = "SI Brochure, 9th edition (2019), Table 8"


@pytest.mark.parametrize(
    ("written", "kilopascal", "relative", "source"),
    [
        pytest.param("1 psi", 6.894757293168, 1e-9, SP811, id="V1.1"),
        pytest.param("43.5 psi", 299.921942, 1e-6, SP811, id="V1.2"),
        pytest.param("58 psi", 399.895923, 1e-6, SP811, id="V1.3"),
        pytest.param("64 psi", 441.264467, 1e-6, SP811, id="V1.4"),
        pytest.param("1 bar", 100.0, 1e-15, SP811, id="V1.5"),
        pytest.param("14.503773773 psi", 100.0, 1e-9, SP811 + ", 1 bar in psi", id="V1.6"),
        pytest.param("1 inHg", 3.386388640, 1e-7, SP811 + ", conventional inch of mercury", id="V1.7"),
        pytest.param("20 inHg", 67.727773, 1e-6, SP811 + ", conventional inch of mercury", id="V1.8"),
        pytest.param("15 inHg", 50.795830, 1e-6, SP811 + ", conventional inch of mercury", id="V1.9"),
        pytest.param("1 torr", 0.133322368, 1e-8, SP811 + ", 101 325 Pa / 760", id="V1.10"),
    ],
)
def test_pressure(written: str, kilopascal: float, relative: float, source: str) -> None:
    assert read(written, units.PRESSURE) == pytest.approx(kilopascal * 1e3, rel=relative), source


@pytest.mark.parametrize(
    ("written", "litres_per_hour", "relative", "source"),
    [
        pytest.param("1 US_gallon/h", 3.785411784, 1e-15, SP811 + ", US gallon", id="V1.11"),
        pytest.param("0.5 US_gallon/min", 113.56235352, 1e-9, SP811 + ", 1 gal/min = 6.309 020 E-05 m³/s", id="V1.12"),
        pytest.param("30 US_gallon/h", 113.56235352, 1e-9, SP811, id="V1.13"),
        pytest.param("2000 mL/min", 120.0, 1e-15, SI_BROCHURE, id="V1.14"),
    ],
)
def test_flow(written: str, litres_per_hour: float, relative: float, source: str) -> None:
    assert read(written, units.FLOW) * 3.6e6 == pytest.approx(litres_per_hour, rel=max(relative, 4e-16)), source


@pytest.mark.parametrize(
    ("column", "value", "si", "relative"),
    [
        pytest.param("pressure [psi]", 1.0, 6894.757293168, 1e-9, id="V1.1 in text lines"),
        pytest.param("pressure [psi]", 58.0, 399_895.923, 1e-6, id="V1.3 in text lines"),
        pytest.param("pressure [bar]", 1.0, 100e3, 1e-15, id="V1.5 in text lines"),
        pytest.param("flow [mL/min]", 2000.0, 120e-3 / 3600, 1e-15, id="V1.14 in text lines"),
        pytest.param("temperature [degF]", 212.0, 373.15, 1e-12, id="V1.15 in text lines"),
        pytest.param("temperature [degF]", 68.0, 293.15, 1e-12, id="V1.16 in text lines"),
    ],
)
def test_columns_of_text_lines(column: str, value: float, si: float, relative: float) -> None:
    """The driver has a small table of its own; the sources are those of the rows."""
    (read_as,) = read_header(f"time [s], {column}").analog
    assert read_as.factor * value + read_as.offset == pytest.approx(si, rel=max(relative, 4e-16))


@rows("V1.15")
@pytest.mark.parametrize(
    ("fahrenheit", "celsius"), [(-40, -40.0), (32, 0.0), (68, 20.0), (77, 25.0), (104, 40.0), (212, 100.0)]
)
def test_fahrenheit(fahrenheit: int, celsius: float) -> None:
    """NIST SP 811 (2008), Appendix B.8: t/°C = (t/°F − 32)/1.8."""
    assert read(f"{fahrenheit} degF", units.TEMPERATURE) - 273.15 == pytest.approx(celsius, abs=1e-12 + 1e-13 * 400)


@rows("V1.16")
def test_fahrenheit_to_kelvin() -> None:
    """NIST SP 811 (2008), Appendix B.8."""
    assert read("68 degF", units.TEMPERATURE) == pytest.approx(293.15, abs=1e-9)


@rows("V1.17")
def test_the_flash_point_limit() -> None:
    """100 °F, NIST SP 811 (2008), Appendix B.8."""
    assert read("100 degF", units.TEMPERATURE) - 273.15 == pytest.approx(37.777778, abs=1e-6)


@rows("V1.18", "V1.19")
def test_hydraulic_power_and_efficiency() -> None:
    """4 bar × 2 L/min = 40/3 W of 13.5 V × 5.0 A, 19.753 %; derived from the SI (1 bar × 1 L/min = 5/3 W).

    Readings of a window whose means are these, with nothing between transducer and outlet."""
    flow = read("2 L/min", units.FLOW)
    window = Window(
        stage="free_flow",
        span=(0.0, 1.0),
        pressure=np.full(20, read("4 bar", units.PRESSURE)),
        voltage=np.full(20, read("13.5 V", units.VOLTAGE)),
        current=np.full(20, read("5.0 A", units.CURRENT)),
        flow=Flow(flow, flow, flow),
        flow_steps=np.full(20, flow),
        peak=np.zeros(0),
        sample_hz=500,
        kelvins=0.0,
    )
    channels = Channels(
        PressureInput(PressureKind.RATIOMETRIC, 0.0, 1e6, 0.1, 0.9, 0.06, 0.94),
        ShuntInput(r20=5e-3, gain=40.0),
        VoltageInput(divider=0.2),
        FlowInput(k_table=((1.0, 4.6e6), (1e3, 4.6e6))),
    )
    reader = Reader(channels, np.full(4, 1e-9), {}, Supply(13.5))
    efficiency, power = (reader.read(quantity, window).value for quantity in ("efficiency", "power"))
    assert efficiency * power == pytest.approx(13.333333, rel=1e-7)
    assert efficiency * 100 == pytest.approx(19.753, abs=1e-3)
