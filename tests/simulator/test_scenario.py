"""Scenarios: those that ship load and agree with the stand's configuration; mistakes are named."""

import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from simulator.errors import ScenarioError, UnknownNameError
from simulator.scenario import find_scenario, load_scenario, read_scenario
from tests.simulator.common import depot

SHIPPED = Path(__file__).resolve().parents[2] / "config/scenarios"
Table = dict[str, Any]


@pytest.mark.parametrize("name", sorted(f.stem for f in SHIPPED.glob("*.toml")))
def test_what_ships_loads(name: str) -> None:
    scenario = load_scenario(name)
    assert scenario.units
    assert scenario.path == SHIPPED / f"{name}.toml"


def test_a_scenario_like_another_takes_what_it_lacks() -> None:
    scripted = load_scenario("scripted")
    assert list(scripted.units) == ["good-pump"]
    assert scripted.sensors == depot().sensors
    assert scripted.script[0].do == "connect"


def test_numbers_come_in_si() -> None:
    good = depot().unit("good-pump")
    assert good.unit.outlet.relief == 590e3
    assert good.unit.pump.flow == pytest.approx(125 / 3.6e6)
    assert depot().bath.temperature == pytest.approx(296.15)
    assert depot().meter.k_table[1] == (80.0, 4.595e6)
    assert depot().line.resistance == pytest.approx(12e3 / (120 / 3.6e6) ** 2)


def test_a_path_comes_before_a_name(tmp_path: Path) -> None:
    own = tmp_path / "own.toml"
    own.write_text('title = "Own"\nlike = "depot"\n', encoding="utf-8")
    assert find_scenario(str(own)) == own
    assert load_scenario(str(own)).title == "Own"


def test_an_unknown_name_lists_what_there_is() -> None:
    with pytest.raises(ScenarioError, match=r"scenario 'dept'.*depot, driven, referenced, rough, scripted"):
        load_scenario("dept")


def test_an_unknown_unit_lists_what_there_is() -> None:
    with pytest.raises(UnknownNameError, match=r"unit 'godo'.*good-pump"):
        depot().unit("godo")


def set_at(path: str, value: object) -> Callable[[Table], None]:
    """A change of a table: the value at a dotted path."""

    def change(table: Table) -> None:
        *folders, last = path.split("/")
        for folder in folders:
            table = table.setdefault(folder, {})
        table[last] = value

    return change


def drop(path: str) -> Callable[[Table], None]:
    def change(table: Table) -> None:
        *folders, last = path.split("/")
        for folder in folders:
            table = table[folder]
        del table[last]

    return change


MISTAKES: list[tuple[Callable[[Table], None], list[str]]] = [
    (set_at("stand/line/valve_shar", 0.2), ["stand.line.valve_shar", "valve_share?"]),
    (set_at("strand", {}), ["strand"]),
    (drop("title"), ["title", "text", "None"]),
    (drop("stand/line"), ["stand.line", "a table"]),
    (drop("stand/line/resistance_kpa_at_120_l_h"), ["stand.line.resistance_kpa_at_120_l_h", "nothing"]),
    (set_at("stand/supply/volts", "13.5 V"), ["units.good-pump.supply.volts", "a number", "'13.5 V'"]),
    (set_at("stand/bath/temperature_degc", 900), ["stand.bath.temperature_degc", "from -40 to 90", "900"]),
    (set_at("device/id", "12"), ["device.id", "16 lower-case hexadecimal", "'12'"]),
    (set_at("device/firmware", "1.0"), ["device.firmware", "1.0.0"]),
    (set_at("device/power_switch", 1), ["device.power_switch", "true or false", "1"]),
    (set_at("device/inputs", ["door"]), ["device.inputs", "splash_guard", "door"]),
    (set_at("device/sample_hz", 300), ["device.sample_hz", "a divisor", "300"]),
    (set_at("device/block_scans", 40), ["device.block_scans", "50 ms", "40"]),
    (set_at("device/sample_hz", 12.5), ["device.sample_hz", "a whole number", "12.5"]),
    (set_at("meter/k_table", [[80, 4595], [40, 4550]]), ["meter.k_table", "rising in hertz"]),
    (set_at("meter/k_table", [80]), ["meter.k_table", "pairs"]),
    (set_at("sensors/pressure/zero_doubt_bar", 1), ["sensors.pressure.zero_doubt_bar", "zero_doubt_kpa?"]),
    (set_at("parts/MH-2101/gear", {}), ["parts.MH-2101.gear"]),
    (set_at("units/good-pump/part", "MH-9999"), ["units.good-pump.part", "MH-2101", "'MH-9999'"]),
    (set_at("units/good-pump/serial", ""), ["units.good-pump.serial", "printable ASCII"]),
    (set_at("units/good-pump/faults", ["rust"]), ["units.good-pump.faults", "worn", "rust"]),
    (set_at("units/good-pump/turbine", {"head_kpa": 0}), ["units.good-pump.turbine.head_kpa", "from 10", "0"]),
    (set_at("script", [{"at_s": 1, "do": "dance"}]), ["script[0].do", "connect", "'dance'"]),
    (set_at("script", [{"at_s": 1}]), ["script[0]", "either do or confirm"]),
    (set_at("script", [{"at_s": 2, "do": "none"}, {"at_s": 1, "do": "none"}]), ["script", "rising times"]),
    (set_at("script", [{"at_s": 1, "confirm": "done"}]), ["script[0].confirm", "filled", "'done'"]),
]


@pytest.mark.parametrize(("change", "named"), MISTAKES, ids=lambda value: value[0] if isinstance(value, list) else "")
def test_mistakes_name_file_key_expected_and_found(change: Callable[[Table], None], named: list[str]) -> None:
    table = tomllib.loads((SHIPPED / "depot.toml").read_text(encoding="utf-8"))
    change(table)
    with pytest.raises(ScenarioError) as caught:
        read_scenario(Path("own.toml"), table)
    for part in ["own.toml", "expected", "found", *named]:
        assert part in str(caught.value)


def test_a_file_that_is_no_toml(tmp_path: Path) -> None:
    broken = tmp_path / "broken.toml"
    broken.write_text("title = 1\nstand = ]\n", encoding="utf-8")
    with pytest.raises(ScenarioError, match=r"broken\.toml: expected a TOML file.*line 2"):
        load_scenario(str(broken))
