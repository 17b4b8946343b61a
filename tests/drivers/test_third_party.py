"""A driver from elsewhere: installed as a package of its own, found by its entry point, and used like any other."""

import csv
import importlib
import json
import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from daq.cli.setup_checks import device as check_device
from drivers.block import Block, Link, LinkChange, Role
from drivers.device import AddressError, NotFittedError, PortError, ProtocolError, open_device
from simulator.bench import Bench
from simulator.scenario import load_scenario
from tests.drivers.text_board import TextBoard

ROOT = Path(__file__).parents[2]
EXAMPLE = ROOT / "tests" / "example_driver"
SECONDS = 74.0
"""The script of the scenario is over then, with its pump taken off."""


@pytest.fixture(scope="module")
def installed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Where pip put the example: its module and its metadata. Nothing comes from a network."""
    source, target = (tmp_path_factory.mktemp(name) for name in ("source", "target"))
    shutil.copytree(EXAMPLE, source / "driver", ignore=shutil.ignore_patterns("__pycache__"))
    pip = (sys.executable, "-m", "pip", "install", "--quiet", "--no-deps", "--no-index", "--no-build-isolation")
    done = subprocess.run((*pip, "--target", target, source / "driver"), capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    return target


@pytest.fixture
def found(installed: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """This process finds it too."""
    monkeypatch.syspath_prepend(str(installed))
    importlib.invalidate_caches()
    yield
    sys.modules.pop("depot_log", None)


@pytest.fixture(scope="module")
def log(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A good pump tested by the clock, as the depot's bench would log it a hundred times a second."""
    bench = Bench(load_scenario("scripted"), "good-pump", script=True)
    board = TextBoard(bench, "current [A], voltage [V], pressure [kPa], temperature [K], flow [L/h]")
    path = tmp_path_factory.mktemp("log") / "bench-1.csv"
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file)
        writer.writerow(("current_a", "voltage_v", "pressure_pa", "fluid_k", "flow_m3_s", "confirm"))
        while bench.time < SECONDS:
            amperes, volts, kilopascals, kelvin, litres = (float(x) for x in board.line().decode().split(","))
            said = bench.operator.take_confirmations()
            quantities = (amperes, volts, 1e3 * kilopascals, kelvin, litres / 3.6e6)
            writer.writerow((*(f"{q:.10g}" for q in quantities), said[0] if said else ""))
    return path


@pytest.mark.usefixtures("found")
async def test_it_opens_by_its_scheme(log: Path) -> None:
    device = await open_device(f"depot-log://{log}")
    assert (device.identity.device_id, device.identity.sample_hz) == ("bench-1", 100)
    events = [event async for event in device.events()]
    assert events[0] == LinkChange(Link.UP, f"depot-log://{log} is open")
    blocks = [event for event in events if isinstance(event, Block)]
    assert sum(block.n for block in blocks) == device.counts.scans == round(SECONDS * 100)
    place = device.identity.analog_index(Role.PRESSURE)
    assert place is not None
    assert max(float(block.values[:, place].max()) for block in blocks) == pytest.approx(612e3, rel=0.02)
    with pytest.raises(NotFittedError, match="a log cannot be told to do anything"):
        await device.clear()


@pytest.mark.usefixtures("found")
async def test_its_errors_are_those_of_every_driver(log: Path, tmp_path: Path) -> None:
    with pytest.raises(PortError, match=r"log /no/such.csv: cannot be read \(No such file or directory\); check"):
        await open_device("depot-log:///no/such.csv")
    with pytest.raises(AddressError, match=r"expected depot-log:///PATH\?hz=NUMBER"):
        await open_device(f"depot-log://{log}?hz=fast")
    (tmp_path / "other.csv").write_text("t,p\n1,2\n")
    with pytest.raises(ProtocolError, match="found no confirm; log it too"):
        await open_device(f"depot-log://{tmp_path}/other.csv")
    with pytest.raises(
        AddressError, match=r"no driver for scheme 'dept-log'; installed are: depot-log, replay, serial"
    ):
        await open_device("dept-log:///a.csv")


@pytest.mark.usefixtures("found")
async def test_the_set_up_check_opens_it(log: Path) -> None:
    outcome = await check_device(f"depot-log://{log}")
    assert outcome.ok
    assert outcome.found == f"depot-log://{log}: bench-1, firmware depot-log 1.0, simulated"


@pytest.fixture
def own(tmp_path: Path) -> Path:
    """The configuration that ships as somebody's own: beside an example no device of a driver of one's own is taken."""
    folder = Path(shutil.copytree(ROOT / "config", tmp_path / "config"))
    text = (folder / "stand.toml").read_text(encoding="utf-8")
    assert "example = true\n" in text
    (folder / "stand.toml").write_text(text.replace("example = true\n", ""), encoding="utf-8")
    return folder


def test_nobody_finds_it_where_it_is_not_installed(log: Path, own: Path) -> None:
    done = steadyhead("run", "MH-2101", "--config", str(own), "--device", f"depot-log://{log}")
    assert done.returncode == 64
    assert "no driver for scheme 'depot-log'; installed are: replay, serial, sim, tcp, text" in done.stderr


def test_a_whole_run(installed: Path, log: Path, own: Path, tmp_path: Path) -> None:
    """There are no wire bytes, so there is a trace and no recording."""
    device = ("--config", str(own), "--device", f"depot-log://{log}")
    done = steadyhead("run", "MH-2101", *device, "--data", str(tmp_path), "--json", at=installed)
    assert done.returncode == 0, done.stderr
    result = json.loads(done.stdout)
    assert (result["verdict"], result["sim"], result["recording"]) == ("pass", 1, None)
    assert result["versions"]["firmware"] == "depot-log 1.0"
    flow = next(r for r in result["readings"] if r["name"] == "free_flow.flow")
    assert flow["value"] == pytest.approx(122.8, abs=flow["U"])
    assert (tmp_path / result["trace"]["file"]).exists()


def steadyhead(*words: str, at: Path | None = None) -> "subprocess.CompletedProcess[str]":
    env = {k: v for k, v in os.environ.items() if k not in ("STEADYHEAD_CONFIG", "PYTHONPATH")}
    env |= {} if at is None else {"PYTHONPATH": str(at)}
    command = (sys.executable, "-m", "daq.cli", *words)
    return subprocess.run(command, cwd=ROOT, env=env, capture_output=True, text=True, check=False)
