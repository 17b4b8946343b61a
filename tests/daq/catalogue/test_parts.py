"""What a part's file becomes, and how parts are found."""

import hashlib
import re
from dataclasses import replace
from pathlib import Path

import pytest

from daq.catalogue.cautions import load_cautions
from daq.catalogue.errors import CatalogueError, UnknownPartError
from daq.catalogue.find import find_config, places
from daq.catalogue.load import Catalogue, load_catalogue, load_stand
from daq.catalogue.quantities import judged_in, stages
from daq.judge.requirement import Mode, Quantity, Requirement
from daq.procedure.plan import Kind, Principle, Sensitivity
from tests.daq.catalogue.conftest import Spoil


def test_a_pump(config: Path) -> None:
    part = load_catalogue(config).part("MH-2101")
    assert (part.kind, part.principle, part.revision) == (Kind.PUMP, Principle.TURBINE, 1)
    assert (part.test_voltage, part.voltage_tolerance) == (13.5, 0.3)
    assert (part.temperature_low, part.temperature_high) == pytest.approx((283.15, 313.15))
    assert (part.dry_check_s, part.shutoff_limit_s, part.fill_limit_s) == (2.0, 15.0, None)
    assert part.digest == hashlib.sha256((config / "parts" / "pump.toml").read_bytes()).hexdigest()
    free_flow = part.requirements[1]
    assert free_flow.at_least == pytest.approx(110e-3 / 3600)
    assert free_flow == Requirement("free flow", Quantity.FLOW, "free_flow", at_least=free_flow.at_least)


def test_a_module_has_the_time_to_fill_as_its_limit_and_no_dry_check(config: Path) -> None:
    part = load_catalogue(config).part("MH-3310")
    assert (part.kind, part.fill_limit_s, part.dry_check_s) == (Kind.MODULE, 30.0, None)


def test_a_module_that_asks_for_a_dry_check_may_require_something_of_it(config: Path, spoil: Spoil) -> None:
    spoil("parts/module.toml", "shutoff_limit", 'dry_check = "1500 ms"\nshutoff_limit')
    spoil("parts/module.toml", 'quantity = "current"\nstage = "free_flow"', 'quantity = "current"\nstage = "dry_check"')
    part = load_catalogue(config, load_stand(config).stand).part("MH-3310")
    assert part.dry_check_s == 1.5
    assert part.requirements[-1].stage == "dry_check"


def test_sensitivities(config: Path, spoil: Spoil) -> None:
    table = '[sensitivity.flow]\nper_volt = "9 L/h/V"\ndoubt = "1.8 L/h/V"\n\n[[requirement]]'
    spoil("parts/pump.toml", "[[requirement]]", table)
    part = load_catalogue(config).part("MH-2101")
    assert part.sensitivity == {"flow": Sensitivity(pytest.approx(9e-3 / 3600), pytest.approx(1.8e-3 / 3600))}


def test_a_guard_of_nought_is_simple_acceptance(config: Path, spoil: Spoil) -> None:
    spoil("parts/pump.toml", 'at_least = "110 L/h"', 'at_least = "110 L/h"\nguard = 0')
    assert [r.guard for r in load_catalogue(config).part("MH-2101").requirements[:2]] == [1.0, 0.0]


def test_a_flow_at_a_pressure_and_a_pressure_at_a_flow(config: Path, spoil: Spoil) -> None:
    spoil("parts/pump.toml", 'stage = "free_flow"', 'stage = "rated"\nat = "4 bar"')
    old, new = 'quantity = "peak_pressure"\nstage = "shutoff"', 'quantity = "pressure"\nstage = "rated"\nat = "60 L/h"'
    spoil("parts/module.toml", old, new)
    catalogue = load_catalogue(config, load_stand(config).stand)
    flow, pressure = catalogue.part("MH-2101").requirements[1], catalogue.part("MH-3310").requirements[1]
    assert (flow.quantity, flow.stage, flow.at) == (Quantity.FLOW, "rated", 400e3)
    assert (pressure.quantity, pressure.at) == (Quantity.PRESSURE, pytest.approx(60e-3 / 3600))


@pytest.mark.parametrize("quantity", ["current", "power", "efficiency"])
@pytest.mark.parametrize(("at", "place"), [("80 L/h", ("flow", 80e-3 / 3600)), ("4 bar", ("pressure", 400e3))])
def test_a_current_power_or_efficiency_at_a_flow_or_at_a_pressure(
    config: Path, spoil: Spoil, quantity: str, at: str, place: tuple[str, float]
) -> None:
    most = {"current": "7 A", "power": "90 W", "efficiency": "30 %"}[quantity]
    old = 'quantity = "flow"\nstage = "free_flow"\nat_least = "110 L/h"'
    spoil("parts/pump.toml", old, f'quantity = "{quantity}"\nstage = "rated"\nat = "{at}"\nat_most = "{most}"')
    found = load_catalogue(config, load_stand(config).stand).part("MH-2101").requirements[1]
    assert (found.quantity.value, found.place, found.at) == (quantity, place[0], pytest.approx(place[1]))


def test_a_residual_pressure_after_a_time(config: Path, spoil: Spoil) -> None:
    old, new = 'quantity = "peak_pressure"\nstage = "shutoff"', 'quantity = "residual_pressure"\nstage = "residual"'
    spoil("parts/pump.toml", old, f'{new}\nafter = "1 min"')
    residual = load_catalogue(config, load_stand(config).stand).part("MH-2101").requirements[3]
    assert (residual.quantity, residual.stage, residual.after) == (Quantity.RESIDUAL_PRESSURE, "residual", 60.0)


def test_a_stand_whose_leak_nobody_measured_takes_no_residual_pressure(config: Path, spoil: Spoil) -> None:
    """Else what the stand loses would be held against the unit."""
    old, new = 'quantity = "peak_pressure"\nstage = "shutoff"', 'quantity = "residual_pressure"\nstage = "residual"'
    spoil("parts/pump.toml", old, f'{new}\nafter = "1 min"')
    stand = load_stand(config).stand
    pressure = replace(stand.channels.pressure, leak=None)
    with pytest.raises(CatalogueError, match="run `steadyhead setup leak` and put what it prints into"):
        load_catalogue(config, replace(stand, channels=replace(stand.channels, pressure=pressure)))


def test_a_report_with_a_target(config: Path, spoil: Spoil) -> None:
    spoil("parts/pump.toml", 'at_least = "110 L/h"', 'at_least = "110 L/h"\nmode = "report"\ntarget = "0.5 L/h"')
    spoil("parts/pump.toml", 'at_least = "0.3 A"', 'at_least = "0.3 A"\nmode = "decide"')
    decided, reported = load_catalogue(config).part("MH-2101").requirements[:2]
    assert (reported.mode, reported.target) == (Mode.REPORT, pytest.approx(0.5e-3 / 3600))
    assert (decided.mode, decided.target) == (Mode.DECIDE, None)


def test_speed_and_efficiency(config: Path, spoil: Spoil) -> None:
    spoil("parts/module.toml", "test_voltage", "commutator = { segments = 10 }\ntest_voltage")
    spoil("parts/module.toml", 'quantity = "flow"', 'quantity = "speed"')
    spoil("parts/module.toml", '"95 L/h"', '"6000 rpm"')
    spoil("parts/pump.toml", 'quantity = "flow"', 'quantity = "efficiency"')
    spoil("parts/pump.toml", '"110 L/h"', '"18 %"')
    catalogue = load_catalogue(config, load_stand(config).stand)
    pump, module = catalogue.part("MH-2101"), catalogue.part("MH-3310")
    assert (module.segments, module.poles, module.requirements[2].at_least) == (10, 2, pytest.approx(100.0))
    assert pump.requirements[1].at_least == 0.18


def test_a_range_is_the_stands_affair(config: Path, spoil: Spoil) -> None:
    spoil("parts/pump.toml", '"110 L/h"', '"400 L/h"')
    assert load_catalogue(config).part("MH-2101").requirements[1].at_least == pytest.approx(400e-3 / 3600)
    with pytest.raises(CatalogueError, match="the flowmeter's table"):
        load_catalogue(config, load_stand(config).stand)


def test_an_absolute_transducer_asks_for_absolute_limits(config: Path, spoil: Spoil) -> None:
    spoil("stand.toml", 'reference = "gauge"', 'reference = "absolute"')
    stand = load_stand(config).stand
    with pytest.raises(CatalogueError, match="state the limits in absolute pressure"):
        load_catalogue(config, stand)
    spoil("parts/pump.toml", 'at_least = "520 kPa"', 'at_least = "520 kPa"\nreference = "absolute"')
    spoil("parts/module.toml", 'at_least = "380 kPa"', 'at_least = "380 kPa"\nreference = "absolute"')
    assert len(load_catalogue(config, stand)) == 2


def test_an_unknown_part_names_what_there_is_and_what_comes_close(config: Path) -> None:
    catalogue = load_catalogue(config)
    with pytest.raises(UnknownPartError) as refused:
        catalogue.part("mh-2110")
    text = str(refused.value)
    assert text == (
        f"{config / 'parts'}: expected one of MH-2101, MH-3310, found part number 'mh-2110'; "
        "did you mean MH-2101 or MH-3310?"
    )
    with pytest.raises(UnknownPartError, match="add a file for it, or correct the number"):
        catalogue.part("zzz")


def test_of_many_parts_only_some_are_named(config: Path) -> None:
    [entry] = [e for e in load_catalogue(config) if e.part.number == "MH-2101"]
    many = Catalogue(config / "parts", {f"MH-{number}": entry for number in range(4000, 4200)})
    with pytest.raises(UnknownPartError, match=r"one of MH-4000, .*MH-4005 … \(200 in all\), found part number 'zzz'"):
        many.part("zzz")


def test_a_catalogue_is_in_order_of_number(config: Path) -> None:
    entries = list(load_catalogue(config))
    assert [entry.part.number for entry in entries] == ["MH-2101", "MH-3310"]
    assert entries[0].body["requirement"][1]["at_least"] == "110 L/h"
    assert entries[0].text == (config / "parts" / "pump.toml").read_text(encoding="utf-8")


def test_the_readme_names_what_the_stages_give() -> None:
    text = (Path("config") / "README.md").read_text(encoding="utf-8")
    rows = re.findall(r"^\| `(\w+)` \| (.*?) \|", text, re.MULTILINE)
    written = {stage: re.findall(r"`(\w+)`", given) for stage, given in rows}
    every = [stage for kind in Kind for stage in stages(kind, dry_check=True)]
    assert written == {stage: [q.value for q in judged_in(stage)] for stage in every if judged_in(stage)}


def test_the_cautions_that_ship() -> None:
    text = " ".join(f"{c.title} {c.text}" for c in load_cautions(Path("config"))).lower()
    for word in ("petrol", "vapour", "relief", "goggles", "gloves", "dry", "mains", "codes", "no safety function"):
        assert word in text


def test_cautions_may_not_be_left_out(config: Path) -> None:
    (config / "cautions.toml").write_text("", encoding="utf-8")
    with pytest.raises(CatalogueError, match="caution: expected this key"):
        load_cautions(config)


def test_the_configuration_that_is_named_counts_first(config: Path, tmp_path_factory: pytest.TempPathFactory) -> None:
    other = tmp_path_factory.mktemp("other")
    assert find_config(config, {"STEADYHEAD_CONFIG": str(other)}) == config
    assert find_config(None, {"STEADYHEAD_CONFIG": str(config)}) == config
    with pytest.raises(CatalogueError, match=r"a directory with stand\.toml in it, found none; name the directory"):
        find_config(None, {"STEADYHEAD_CONFIG": str(other)})


def test_where_nothing_is_named_the_one_at_hand_counts(config: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(config)
    assert places()[0] == Path("config")
    config.joinpath("config").mkdir()
    config.joinpath("config", "stand.toml").touch()
    assert find_config(None, {}) == Path("config")
