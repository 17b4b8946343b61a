"""The invented stand that ships passes for a real one nowhere."""

from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from typer.testing import CliRunner

from daq.catalogue.load import load_stand
from daq.cli.root import app
from tests.daq.cli.conftest import SHIPPED, Command

SIMULATED = "sim://depot/good-pump"
TOLD = "an example; its stand, certificates and parts are invented"
words = st.text("abcxyz019-.", min_size=1, max_size=12).filter(
    lambda text: text != "localhost" and "127.0.0.1" not in text
)
real = st.one_of(
    st.builds("serial:///dev/tty{}?baud=115200".format, words),
    st.builds("serial:///dev/serial/by-id/{}".format, words),
    st.builds("serial:///dev/pts/../tty{}".format, words),
    st.builds("text:///dev/tty{}".format, words),
    st.builds("tcp://{}:5025".format, words),
)


@pytest.fixture
def example(monkeypatch: pytest.MonkeyPatch) -> Command:
    """The command line with what ships, as it ships."""
    monkeypatch.setenv("STEADYHEAD_CONFIG", str(SHIPPED))
    return lambda *words, **more: CliRunner().invoke(app, list(words), **more)


@pytest.mark.parametrize("file", ["stand.toml", "stand-driven.toml"])
def test_what_ships_says_that_it_is_an_example(file: str) -> None:
    assert load_stand(SHIPPED / file).example


@settings(max_examples=20, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(device=real, command=st.sampled_from(["run MH-2101", "serve", "setup leak"]))
def test_no_real_device_is_taken_beside_it(example: Command, device: str, command: str) -> None:
    told = example(*command.split(), "--device", device)
    assert told.exit_code == 64
    assert f"example: expected a simulated device, found {device!r}; copy the folder to /etc/steadyhead" in told.stderr


@pytest.mark.parametrize("command", ["run MH-2101", "serve", "setup leak"])
def test_nor_is_the_one_in_its_own_file(example: Command, command: str) -> None:
    told = example(*command.split())
    assert told.exit_code == 64
    assert "example: expected a simulated device, found 'serial:///dev/ttyACM0'" in told.stderr


def test_a_folder_without_a_configuration_falls_back_to_nothing_silently(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where nothing is named and no stand is described, the one that was installed along is found."""
    monkeypatch.delenv("STEADYHEAD_CONFIG", raising=False)
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr("daq.catalogue.find.places", lambda: (Path("config"), tmp_path / "etc", SHIPPED))
    told = CliRunner().invoke(app, ["run", "MH-2101"])
    assert told.exit_code == 64
    assert TOLD in told.stderr


@pytest.mark.parametrize(
    "command",
    [
        "parts check",
        "parts list",
        "parts show MH-2101",
        "runs list",
        "runs show 1",
        "runs export",
        "study repeats MH-2101",
        "setup check",
        f"setup device --time 1 --device {SIMULATED}",
        f"setup device --udev --device {SIMULATED}",
    ],
)
def test_every_command_that_uses_it_says_so_once(
    example: Command, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, command: str
) -> None:
    monkeypatch.setenv("HOME", str(tmp_path))
    told = example(*command.split())
    assert told.stderr.count(TOLD) == 1


def test_a_run_says_so_and_goes_on_with_a_simulated_device(example: Command, tmp_path: Path) -> None:
    told = example("run", "MH-2101", "--device", SIMULATED, "--data", str(tmp_path))
    assert told.exit_code == 0
    assert told.stderr.count(TOLD) == 1


def test_a_check_of_it_finds_neither_configuration_nor_certificates_in_order(
    example: Command, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("HOME", str(tmp_path))
    told = example("setup", "check")
    assert told.exit_code == 64
    wrong = {line.split("\t")[1] for line in told.stdout.splitlines() if line.startswith("WRONG")}
    assert wrong >= {"configuration", "calibration"}


def test_ones_own_is_nothing_that_anything_is_said_about(steadyhead: Command) -> None:
    assert TOLD not in steadyhead("parts", "list").output
