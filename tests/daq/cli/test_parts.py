"""`steadyhead parts`: what it prints when piped, and how it ends."""

import json
from pathlib import Path

from tests.daq.cli.conftest import Command


def test_a_sound_catalogue_says_nothing(steadyhead: Command) -> None:
    ended = steadyhead("parts", "check")
    assert (ended.exit_code, ended.output) == (0, "")


def test_mistakes_are_printed_one_a_line(steadyhead: Command, config: Path) -> None:
    part = config / "parts" / "mh-2101.toml"
    part.write_text(part.read_text(encoding="utf-8").replace("110 L/h", "6 L").replace("520 kPa", "990 kPa"), "utf-8")
    ended = steadyhead("parts", "check")
    assert ended.exit_code == 64
    assert ended.stdout.splitlines() == [
        f'{part}: requirement[2] "free flow".at_least: expected a flow such as "110 L/h", found \'6 L\', which is a '
        "volume; write a flow",
        f'{part}: requirement[4] "shutoff pressure".at_least: expected a limit from 0 kPa to 950 kPa, the range of the '
        "transducer and limits.pressure, found '990 kPa'; change the limit, or fit and configure a sensor that reaches "
        "it",
    ]
    assert ended.stderr == f"steadyhead: 2 mistakes in {config}\n"


def test_mistakes_as_json(steadyhead: Command, config: Path) -> None:
    (config / "cautions.toml").unlink()
    ended = steadyhead("parts", "check", "--json")
    assert ended.exit_code == 64
    assert json.loads(ended.stdout) == [
        {
            "file": str(config / "cautions.toml"),
            "key": "",
            "expected": "a readable file",
            "found": "no such file or directory",
            "do": "create it, or point --config at its directory",
        }
    ]


def test_the_list(steadyhead: Command) -> None:
    lines = steadyhead("parts", "list").stdout.splitlines()
    assert lines[0].split("\t") == ["MH-2101", "1", "pump", "In-tank pump, turbine, bare"]
    assert [line.split("\t")[0] for line in lines] == ["MH-2101", "MH-2140", "MH-2207", "MH-3310", "MH-3325"]
    listed = json.loads(steadyhead("parts", "list", "--json").stdout)
    assert [part["kind"] for part in listed] == ["pump", "pump", "pump", "module", "module_return"]


def test_a_part(steadyhead: Command) -> None:
    lines = [line.split("\t") for line in steadyhead("parts", "show", "MH-3310").stdout.splitlines()]
    assert ["test voltage", "13.5 V ± 0.3 V"] in lines
    assert ["fills", "fill", "fill_time", "", "30 s", "1"] in lines
    assert ["regulated pressure", "shutoff", "peak_pressure", "380 kPa", "420 kPa", "1"] in lines


def test_a_place_and_a_time_stand_beside_the_stage(steadyhead: Command, config: Path) -> None:
    part = config / "parts" / "mh-2101.toml"
    text = part.read_text("utf-8").replace('stage = "free_flow"', 'stage = "rated"\nat = "4 bar"', 1)
    left = 'quantity = "residual_pressure"\nstage = "residual"\nafter = "1 min"'
    part.write_text(text.replace('quantity = "peak_pressure"\nstage = "shutoff"', left), "utf-8")
    lines = [line.split("\t") for line in steadyhead("parts", "show", "MH-2101").stdout.splitlines()]
    assert ["free flow", "rated, at 400 kPa", "flow", "110 L/h", "", "1"] in lines
    assert ["shutoff pressure", "residual, after 60 s", "residual_pressure", "520 kPa", "", "1"] in lines


def test_a_part_as_json_is_the_file(steadyhead: Command) -> None:
    part = json.loads(steadyhead("parts", "show", "MH-2101", "--json").stdout)
    assert part["requirement"][1]["at_least"] == "110 L/h"
    assert len(part["digest"]) == 64


def test_an_unknown_part(steadyhead: Command) -> None:
    ended = steadyhead("parts", "show", "MH-210")
    assert ended.exit_code == 64
    assert ended.stdout == ""
    assert "found part number 'MH-210'; did you mean MH-2140 or MH-2101" in ended.stderr


def test_a_directory_that_is_no_configuration(steadyhead: Command, tmp_path: Path) -> None:
    ended = steadyhead("parts", "list", "--config", str(tmp_path))
    assert ended.exit_code == 64
    assert ended.stderr == (
        f"steadyhead: {tmp_path}: expected a directory with stand.toml in it, found none; "
        "name the directory, or a stand's file in it, with --config or STEADYHEAD_CONFIG\n"
    )
