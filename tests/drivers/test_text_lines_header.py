"""Headers of text lines: what they may look like, and what is said of those that cannot be used."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daq.catalogue import units
from drivers.block import Role
from drivers.text_lines_header import ANALOG, EXAMPLE, TIMES, Analog, HeaderError, is_header, read_header

KPA = Analog(1, Role.PRESSURE, 1e3, 0.0)


@pytest.mark.parametrize(
    ("header", "separator"),
    [
        ("time [s], pressure [kPa]", ","),
        ("time[s];pressure[kPa]", ";"),
        ("time (s)\tpressure (kPa)", "\t"),
        ("time [s] pressure [kPa]", None),
        ("time[s] pressure[kPa]", None),
        ("time_s   pressure_kPa", None),
        ("Time [s], PRESSURE [ kPa ]", ","),
    ],
)
def test_four_separators_and_three_ways_to_write_a_unit(header: str, separator: str | None) -> None:
    layout = read_header(header)
    assert is_header(header)
    assert (layout.separator, layout.fields, layout.time, layout.ticks) == (separator, 2, 0, 1e6)
    assert layout.analog == (KPA,)
    assert layout.pulse is None


def test_the_example_holds_everything_that_a_pump_needs() -> None:
    layout = read_header(EXAMPLE)
    assert [a.role for a in layout.analog] == [1, 2, 3, 4]
    assert layout.pulse == (5, 6, 1.0)


def test_columns_come_in_any_order_and_others_are_passed_over() -> None:
    layout = read_header("humidity [%], current [mA], last_edge_ms, flow_set_point, level, edges, time [ms]")
    assert (layout.fields, layout.time, layout.ticks) == (7, 6, 1e3)
    assert layout.analog == (Analog(1, Role.SHUNT, 1e-3, 0.0), Analog(4, Role.LEVEL, 1.0, 0.0))
    assert layout.pulse == (5, 2, 1e3)


def test_edges_go_before_a_flow() -> None:
    assert [a.role for a in read_header("time [s], flow [L/h]").analog] == [Role.FLOW]
    counted = read_header("time [s], pressure [kPa], flow [L/h], edges, last_edge_us")
    assert [a.role for a in counted.analog] == [Role.PRESSURE]


def si(header: str, value: float) -> float:
    (column,) = read_header(f"time [s], {header}").analog
    return column.factor * value + column.offset


UNITS = [
    # By definition; tests/published/test_units.py holds some against their sources.
    ("pressure [Pa]", 250.0, 250.0),
    ("pressure [hPa]", 250.0, 25e3),
    ("pressure [mbar]", 250.0, 25e3),
    ("pressure [kPa]", 400.0, 400e3),
    ("pressure [bar]", 4.0, 400e3),
    ("pressure [MPa]", 0.4, 400e3),
    ("pressure [psi]", 58.0, 399_895.92),
    ("voltage [mV]", 13_500.0, 13.5),
    ("current [mA]", 5_250.0, 5.25),
    ("temperature [degC]", 25.0, 298.15),
    ("temperature [°C]", -40.0, 233.15),
    ("temperature [K]", 300.0, 300.0),
    ("temperature [degF]", -40.0, 233.15),
    ("temperature [°F]", 68.0, 293.15),
    ("level [%]", 45.0, 0.45),
    ("level [1]", 0.45, 0.45),
    ("flow [L/h]", 110.0, 110 / 3.6e6),
    ("flow [l/h]", 110.0, 110 / 3.6e6),
    ("flow [L/min]", 1.8, 3e-5),
    ("flow [mL/s]", 30.0, 3e-5),
    ("flow [mL/min]", 1800.0, 3e-5),
    ("flow [m3/h]", 0.108, 3e-5),
]


@pytest.mark.parametrize(("header", "value", "expected"), UNITS)
def test_units(header: str, value: float, expected: float) -> None:
    assert si(header, value) == pytest.approx(expected, rel=1e-8)


def test_units_are_those_of_the_configuration() -> None:
    """The same words mean the same there; `C` and a plain share are this driver's own."""
    dimensions = {"pressure": units.PRESSURE, "voltage": units.VOLTAGE, "current": units.CURRENT}
    dimensions |= {"temperature": units.TEMPERATURE, "flow": units.FLOW}
    for name, dimension in dimensions.items():
        for unit in ANALOG[name][1].keys() - {"C"}:
            there = units.read(f"3.7 {unit.replace('m3', 'm^3')}", dimension)
            assert si(f"{name} [{unit}]", 3.7) == pytest.approx(there, rel=1e-12), unit


def test_every_unit_can_be_written_in_every_way() -> None:
    for name, (_, known) in ANALOG.items():
        for unit in known:
            assert read_header(f"time [s],{name} [{unit}]") == read_header(
                f"time(us),{name}({unit})".replace("us", "s")
            )
    assert {read_header(f"time [{unit}], current [A]").ticks for unit in TIMES} == {1e6, 1e3, 1.0}


MISTAKES = [
    ("time [s], pressure [kpa]", r"column pressure \[kpa\]: expected a unit out of Pa, hPa, .*, found 'kpa'; print"),
    ("time [s], pressure [barg]", r"column pressure \[barg\]: expected a unit out of .*psi, found 'barg'"),
    ("time [s], pressure_kpa", r"column pressure \[kpa\]: .* found 'kpa'"),
    ("time [s], flow [gpm]", r"column flow \[gpm\]: expected a unit out of m3/s, .*, found 'gpm'; print flow \[m3/s\]"),
    ("time [s], voltage", r"column voltage: expected a unit out of V, mV, found none; print voltage \[V\]"),
    ("time, voltage [V]", r"column time: expected a unit out of s, ms, us, µs, found none"),
    ("time [min], voltage [V]", r"column time \[min\]: .* found 'min'"),
    ("time [s], voltage [V], voltage [mV]", r"column voltage \[V\]: expected one of this name, found two; rename one"),
    ("time [s], edges, voltage [V]", r"column edges: expected edges and last_edge \[us\] together, found one of them"),
    ("time [s], last_edge_us, voltage [V]", r"column last_edge \[us\]: expected edges and last_edge \[us\] together"),
    ("time [s], edges, last_edge, voltage [V]", r"column last_edge: expected a unit out of s, ms, us, µs, found none"),
    ("time [s], edges, last_edge_us", r"expected quantities such as pressure \[kPa\], found time \[s\], edges, last_"),
    ("t [s], voltage [V]", r"expected a column time \[s\], time \[ms\] or time \[us\], found t \[s\], voltage \[V\]"),
    ("", r"expected a column time \[s\].*, found nothing"),
]


@pytest.mark.parametrize(("header", "why"), MISTAKES)
def test_a_header_that_cannot_be_used(header: str, why: str) -> None:
    with pytest.raises(HeaderError, match=why):
        read_header(header)


@pytest.mark.parametrize("line", ["12.5, 400.1, 5.2", "", "boot ok", "t [s], p [kPa]", "timestamp, value", "#"])
def test_what_is_no_header(line: str) -> None:
    assert not is_header(line)


@given(st.text(max_size=200))
def test_any_text_is_read_or_refused(text: str) -> None:
    is_header(text)
    try:
        layout = read_header(text)
    except HeaderError:
        return
    assert is_header(text)
    assert layout.fields == len(layout.split(text)) or layout.separator is None
