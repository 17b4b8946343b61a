"""A stand that drives itself: its [drive] table, the file that ships, and a stand's file as the configuration."""

import re
import shutil
from dataclasses import replace
from pathlib import Path

import pytest

from daq.catalogue.drive_table import SPANS, DriveTable
from daq.catalogue.errors import CatalogueError, Problem
from daq.catalogue.find import find_config, folder, stand_file
from daq.catalogue.load import check, load_catalogue, load_stand
from daq.procedure.device_limits import device_limits
from daq.procedure.plan import Drive
from daq.procedure.table import sequence
from drivers.block import Feature, Input
from simulator.rig import Rig
from simulator.scenario import load_scenario
from tests.daq.catalogue.conftest import SHIPPED, Spoil

STAND = "stand.toml"
FILE = SHIPPED / "stand-driven.toml"
TABLE = re.compile(r"\[drive\]\n.*?\n\n(?=\[)", re.DOTALL)


@pytest.fixture
def driven(config: Path) -> Path:
    """The configuration, with the driven stand that ships as its stand."""
    shutil.copy(FILE, config / STAND)
    return config


def problem(config: Path) -> Problem:
    (found,) = check(config)
    with pytest.raises(CatalogueError):
        load_stand(config)
    return found


def without_table(config: Path) -> None:
    path = config / STAND
    text, n = TABLE.subn("", path.read_text(encoding="utf-8"))
    assert n == 1
    path.write_text(text, encoding="utf-8")


def test_what_ships(driven: Path) -> None:
    config = load_stand(driven)
    drive = config.stand.drive
    assert (config.stand.site, config.stand.name, config.stand.driven) == ("marrow-hill", "bench-2", True)
    assert drive == Drive(
        Input.STOP_CIRCUIT | Input.SPLASH_GUARD | Input.FLUID_LEVEL, 0.5, 1.0, 4.0, 150e3, 20e3
    )  # as the file says, in SI
    assert check(driven) == []


def test_the_file_states_the_defaults() -> None:
    """Whoever leaves a key out gets what the file shows, but for the inputs."""
    drive = load_stand(FILE).stand.drive
    assert drive is not None
    assert replace(drive, requires=Drive().requires) == Drive()


def test_the_page_names_every_key_with_its_default(driven: Path) -> None:
    rows = re.findall(r"^\| `(\w+ = .*?)` \|", (SHIPPED / "README.md").read_text(encoding="utf-8"), re.MULTILINE)
    assert {row.partition(" ")[0] for row in rows} == set(DriveTable.model_fields)
    path = driven / STAND
    text = TABLE.sub("[drive]\n" + "\n".join(rows) + "\n\n", path.read_text(encoding="utf-8"))
    path.write_text(text, encoding="utf-8")
    assert load_stand(driven).stand.drive == Drive()


def test_without_a_table_it_is_the_usual_drive(driven: Path) -> None:
    without_table(driven)
    assert load_stand(driven).stand.drive == Drive()
    assert Drive().requires == Input.STOP_CIRCUIT


def test_every_key_is_read(driven: Path, spoil: Spoil) -> None:
    spoil(STAND, 'requires = ["stop_circuit", "splash_guard", "fluid_level"]', 'requires = ["stop_circuit"]')
    for old, new in (
        ("0.5 s", "800 ms"),
        ("1 s", "1.5 s"),
        ("4 s", "8 s"),
        ("150 kPa/s", "1 bar/s"),
        ("20 kPa", "0.3 bar"),
    ):
        spoil(STAND, f'"{old}"', f'"{new}"')
    drive = load_stand(driven).stand.drive
    assert drive is not None
    assert drive.requires == Input.STOP_CIRCUIT
    found = (drive.lease, drive.obeyed, drive.travel, drive.pressure_rate, drive.overshoot)
    assert found == pytest.approx((0.8, 1.5, 8.0, 1e5, 3e4))


def test_a_followed_stand_has_none(config: Path) -> None:
    assert load_stand(config).stand.drive is None


def test_a_table_on_a_followed_stand_is_a_mistake(driven: Path, spoil: Spoil) -> None:
    spoil(STAND, 'mode = "driven"', 'mode = "followed"')
    found = problem(driven)
    assert (found.file, found.key) == (str(driven / STAND), "drive")
    assert found.expected == 'mode = "driven", or no [drive]'
    assert found.do == "mend `mode`, or take it out"


MISTAKES = [
    # what stands there, what is written instead, key, expected, found
    (
        *('requires = ["stop_circuit", ', "requires = [", "drive.requires"),
        *("stop_circuit among the inputs that must be closed", "splash_guard, fluid_level"),
    ),
    (
        *('requires = ["stop_circuit", "splash_guard", "fluid_level"]', "requires = []", "drive.requires"),
        *("stop_circuit among the inputs that must be closed", "none"),
    ),
    (
        *('"fluid_level"]', '"level"]', "drive.requires[3]"),
        *("one of 'stop_circuit', 'splash_guard' or 'fluid_level'", "'level'"),
    ),
    (
        *('"fluid_level"]', '"splash_guard"]', "drive.requires"),
        *("each input once", "stop_circuit, splash_guard, splash_guard"),
    ),
    ('lease = "0.5 s"', 'lease = "0.1 s"', "drive.lease", "0.2 s to 2 s", "0.1 s"),
    ('lease = "0.5 s"', 'lease = "2.5 s"', "drive.lease", "0.2 s to 2 s", "2.5 s"),
    ('lease = "0.5 s"', 'lease = "0.5 kPa"', "drive.lease", 'a time such as "2 s"', "'0.5 kPa', which is a pressure"),
    ('obeyed = "1 s"', 'obeyed = "60 s"', "drive.obeyed", "0.2 s to 10 s", "60 s"),
    ('travel = "4 s"', 'travel = "0.1 s"', "drive.travel", "0.2 s to 60 s", "0.1 s"),
    ('"150 kPa/s"', '"1 kPa/s"', "drive.pressure_rate", "5 kPa/s to 2000 kPa/s", "1 kPa/s"),
    (
        *('"150 kPa/s"', '"150 kPa"', "drive.pressure_rate"),
        *('a pressure per time such as "0.2 kPa/s"', "'150 kPa', which is a pressure"),
    ),
    ('overshoot = "20 kPa"', 'overshoot = "-20 kPa"', "drive.overshoot", "1 kPa to 200 kPa", "-20 kPa"),
    ('make_up = "1 V"', 'make_up = "3 V"', "drive.make_up", "0 V to 2 V", "3 V"),
    ('"0.5 V/s"', '"9 V/s"', "drive.make_up_rate", "0.05 V/s to 5 V/s", "9 V/s"),
    (
        *('"0.5 V/s"', '"0.5 V"', "drive.make_up_rate"),
        *('a voltage per time such as "0.5 V/s"', "'0.5 V', which is a voltage"),
    ),
    (
        *('travel = "4 s"', 'travel = "35 s"', "drive", "a valve that shuts within 40 s, limits.stage"),
        "41.333 s for `travel` and limits.pressure at `pressure_rate`",
    ),
]  # fmt: skip


@pytest.mark.parametrize(
    ("old", "new", "key", "expected", "found"), MISTAKES, ids=[f"{m[2]}: {m[4]}" for m in MISTAKES]
)
def test_a_mistake_is_told(
    *, driven: Path, spoil: Spoil, old: str, new: str, key: str, expected: str, found: str
) -> None:
    spoil(STAND, old, new)
    told = problem(driven)
    assert (told.file, told.key, told.expected, told.found) == (str(driven / STAND), key, expected, found)
    assert told.do


def test_a_key_that_nobody_reads(driven: Path, spoil: Spoil) -> None:
    spoil(STAND, 'lease = "0.5 s"', 'leese = "0.5 s"')
    assert problem(driven).do == "did you mean lease?"


def test_the_usual_drive_has_to_fit_a_short_stage_too(driven: Path, spoil: Spoil) -> None:
    without_table(driven)
    spoil(STAND, 'stage = "40 s"', 'stage = "8 s"')
    assert problem(driven).expected == "a valve that shuts within 8 s, limits.stage"


@pytest.mark.parametrize("name", SPANS)
def test_the_defaults_lie_within_what_may_be_said(name: str) -> None:
    low, high, _ = SPANS[name]
    assert low <= getattr(Drive(), name) <= high


def test_a_lease_is_no_longer_than_the_link_allows() -> None:
    """Section 5 of the link's page: DRIVE, lease_ms; a device refuses more than 2000."""
    page = (SHIPPED.parent / "drivers/link/CONTRACT.md").read_text(encoding="utf-8")
    assert SPANS["lease"][1] == 2.0
    assert "how long power may stay on without another DRIVE, at most 2 000" in " ".join(page.split())


# The stand that ships, and the bench that stands in for it.


def test_the_simulated_bench_matches_the_stand() -> None:
    """What the stand requires is fitted, its actuator is quick enough, and for every part all limits can be watched."""
    stand, scenario = load_stand(FILE).stand, load_scenario("driven")
    identity = Rig(scenario, "good-pump").firmware.identity
    assert stand.drive is not None
    assert stand.drive.requires & ~identity.inputs_fitted == Input(0)
    assert identity.features & (Feature.POWER_SWITCH | Feature.VALVE_ACTUATOR) == (
        Feature.POWER_SWITCH | Feature.VALVE_ACTUATOR
    )
    assert scenario.device.valve_travel <= stand.drive.travel
    for entry in load_catalogue(SHIPPED, stand):
        limits = device_limits(entry.part, stand, identity, sequence(entry.part.kind, dry_check=False))
        assert {e.channel for e in limits.entries} == {0, 1, 2, 3}


def test_it_shares_the_parts_of_its_neighbour() -> None:
    assert [e.part.number for e in load_catalogue(FILE)] == [e.part.number for e in load_catalogue(SHIPPED)]
    assert check(FILE) == []


def test_its_channels_are_its_neighbours() -> None:
    """Both benches are alike; what differs are certificates."""
    followed, driven = load_stand(SHIPPED), load_stand(FILE)
    assert driven.stand.channels == followed.stand.channels
    assert (driven.stand.limits, driven.stand.reading) == (followed.stand.limits, followed.stand.reading)
    theirs = {made.certificate for made in followed.calibrations.values()}
    assert not theirs & {made.certificate for made in driven.calibrations.values()}


# A stand's file as the configuration.


def test_a_file_names_its_directory(config: Path) -> None:
    named = shutil.copy(FILE, config / "second.toml")
    assert find_config(named, {}) == named
    assert find_config(None, {"STEADYHEAD_CONFIG": str(named)}) == named
    assert (stand_file(named), folder(named)) == (named, config)
    assert (stand_file(config), folder(config)) == (config / STAND, config)
    assert load_stand(named).path == named
    assert check(named) == []
    assert len(load_catalogue(named, load_stand(named).stand)) == 2


def test_a_file_that_is_not_there(config: Path) -> None:
    with pytest.raises(
        CatalogueError, match=r"third\.toml: expected .*, found none; name the directory, or a stand's file"
    ):
        find_config(config / "third.toml", {})


def test_a_file_without_parts_beside_it(tmp_path: Path) -> None:
    alone = Path(shutil.copy(FILE, tmp_path / "alone.toml"))
    found = {p.file for p in check(alone)}
    assert found == {str(tmp_path / "parts"), str(tmp_path / "cautions.toml")}
