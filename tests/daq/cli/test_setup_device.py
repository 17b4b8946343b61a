"""`steadyhead setup device`: what it shows of a device, to people and programs, and that it only looks."""

import asyncio
import fcntl
import io
import json
import os
import signal
import threading
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from rich.console import Console

from daq.catalogue.load import load_stand
from daq.cli import output, setup_device, setup_device_view, setup_ports
from daq.cli.setup_device import LIVE_S
from drivers.link import frames
from drivers.link.deframer import Deframer
from drivers.ports import Port, Usb
from simulator.adapter import serve_pty
from simulator.rig import Rig
from simulator.scenario import load_scenario
from tests.daq.cli.conftest import Command

SIM = ("setup", "device", "--time", "1", "--device", "sim://depot/good-pump")
DRIVEN = ("setup", "device", "--time", "1", "--device", "sim://driven/good-pump")


class Bench:
    """A simulated stand on a pseudo-terminal, run by a thread of its own. `heard` is what the host asked."""

    def __init__(self) -> None:
        self.rig = Rig(load_scenario("depot"), "good-pump")
        self.heard: list[frames.Frame] = []
        self.address = ""
        self._ready = threading.Event()
        self._loop = asyncio.new_event_loop()
        self._stop = asyncio.Event()
        self._thread = threading.Thread(target=self._loop.run_until_complete, args=(self._serve(),))

    def start(self) -> None:
        self._thread.start()
        assert self._ready.wait(5)

    async def _serve(self) -> None:
        pieces = Deframer(opened=False)
        write = self.rig.write

        def overheard(data: bytes) -> None:
            self.heard += [piece.frame for piece in pieces.feed(data) if piece.frame is not None]
            write(data)

        self.rig.write = overheard  # type: ignore[method-assign]
        line, running = await serve_pty(self.rig)
        self.address = line.address
        self._ready.set()
        await self._stop.wait()
        running.cancel()
        await asyncio.gather(running, return_exceptions=True)
        await line.close()

    def stop(self) -> None:
        if self._thread.is_alive():
            self._loop.call_soon_threadsafe(self._stop.set)
            self._thread.join(5)
        self._loop.close()


@pytest.fixture
def bench() -> Iterator[Bench]:
    made = Bench()
    made.start()
    yield made
    made.stop()


@pytest.fixture
def terminal(monkeypatch: pytest.MonkeyPatch) -> None:
    """As if a person read it in a terminal of 80 columns."""
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.setenv("LINES", "24")
    monkeypatch.setenv("NO_COLOR", "1")
    for module in (output, setup_device, setup_ports):
        monkeypatch.setattr(module, "in_terminal", lambda: True)


def test_a_device_on_a_port_is_shown_and_only_asked_who_it_is(steadyhead: Command, bench: Bench) -> None:
    ended = steadyhead("setup", "device", "--time", "1.5", "--device", bench.address, "--json")
    told = json.loads(ended.stdout)
    assert ended.exit_code == 0, told["remarks"]
    assert (told["ready"], told["stand"], told["address"]) == (True, "marrow-hill/bench-1", bench.address)
    assert told["device"]["firmware"] == "1.0.0"
    assert told["device"]["reset_causes"] == ["power_on"]
    assert 600 <= told["link"]["scans"] <= 750
    assert told["link"]["scans_missing"] == told["link"]["counts"]["bad"] == told["link"]["counts"]["lost"] == 0
    assert told["link"]["pace"]["ratio"] == pytest.approx(1.0, abs=0.02)
    assert {type(frame) for frame in bench.heard} == {frames.Identify, frames.Stream}
    assert bench.heard[-1] == frames.Stream(False)  # and left as it was found


def test_as_json_the_channels_have_counts_volts_and_quantities(steadyhead: Command) -> None:
    """The simulated stand at rest: a transducer at its zero, 0.5 V; no supply; fluid of 23 °C, 0.5 V + 10 mV/K."""
    told = json.loads(steadyhead(*SIM, "--json").stdout)
    channels = {channel["name"]: channel for channel in told["channels"]}
    assert list(channels) == ["pressure", "supply voltage", "current", "fluid temperature", "level"]
    pressure = channels["pressure"]
    assert pressure["newest"] == pytest.approx(410, abs=8)  # 0.5 V at 5 V in 4096 counts
    assert pressure["min"] <= pressure["newest"] <= pressure["max"]
    assert pressure["volts"] == pytest.approx(0.5, abs=0.01)
    assert pressure["value"] == {"value": pytest.approx(0.0, abs=2.0), "unit": "kPa", "reference": "gauge"}
    assert (pressure["bits"], pressure["zero_count"], pressure["span"]) == (12, 0, "inside")
    assert channels["current"]["zero_count"] == 41
    assert channels["fluid temperature"]["value"] == {"value": pytest.approx(23.0, abs=1.0), "unit": "Cel"}
    assert told["pulses"] == [
        {"index": 0, "role": 1, "edges": 0, "new_edges": 0, "hertz": None, "quiet_s": None,
         "flow": {"value": None, "low": 0.0, "high": pytest.approx(2.0), "unit": "L/h"}}
    ]  # fmt: skip
    assert told["inputs"] == {"stop_circuit": None, "splash_guard": None, "fluid_level": None}
    assert told["link"]["pace"] is None


def test_as_json_inputs_and_outputs_that_are_fitted(steadyhead: Command) -> None:
    told = json.loads(steadyhead(*DRIVEN, "--json").stdout)
    assert told["inputs"] == {"stop_circuit": True, "splash_guard": True, "fluid_level": True}
    assert {"power_switch", "valve_actuator", "simulated"} <= set(told["device"]["features"])
    outputs = told["outputs"]
    assert (outputs["power"], outputs["trip"], outputs["limits_set"]) == (False, "none", False)
    opened = json.loads(steadyhead(*DRIVEN[:-1], f"{DRIVEN[-1]}?faults=stop_open:0.2", "--json").stdout)
    assert opened["inputs"]["stop_circuit"] is False


def test_where_a_program_reads_there_are_tabs(steadyhead: Command) -> None:
    ended = steadyhead(*SIM)
    lines = [line.split("\t") for line in ended.stdout.splitlines()]
    assert ended.exit_code == 0
    rows = {line[0]: line[1] for line in lines if len(line) == 2}
    assert rows["at"] == "sim://depot/good-pump, simulated"
    assert rows["started"] == "boot 41, after power-on"
    assert rows["stop circuit"] == "not fitted"
    assert rows["power"] == "off; no switch fitted, a person does it"
    assert rows["flow pulses"] == "none yet; below 2.00 L/h"
    assert rows["scans"].startswith("500 in 1.00 s, 0 missing; ")
    assert rows["ready"].startswith("all channels that a run needs are there")
    [pressure] = [line for line in lines if line[:2] == ["0", "pressure"]]
    assert pressure[2] == "12 bit 1.22 mV"
    assert pressure[7].endswith(" kPa")


@pytest.mark.usefixtures("terminal")
@pytest.mark.parametrize("words", [SIM, DRIVEN])
def test_it_fits_into_a_terminal(steadyhead: Command, words: tuple[str, ...]) -> None:
    ended = steadyhead(*words)
    assert ended.exit_code == 0
    assert [line for line in ended.stdout.splitlines() if len(line) > 80] == []
    for word in ("firmware", "channel", "newest", "quantity", "fluid temperature", "stop circuit", "frames", "ready"):
        assert word in ended.stdout


@pytest.mark.usefixtures("terminal")
def test_live_fits_into_a_terminal_of_24_lines(steadyhead: Command, monkeypatch: pytest.MonkeyPatch) -> None:
    shown: list[str] = []

    def brief(*given: object, **more: object) -> object:
        console = Console(width=80, file=io.StringIO(), record=True)
        made = setup_device_view.sections(*given, **more)  # type: ignore[arg-type]
        console.print(setup_device_view.in_terminal_width(made, 80))
        shown.append(console.export_text())
        raise KeyboardInterrupt

    monkeypatch.setattr(setup_device, "sections", brief)
    assert steadyhead("setup", "device", "--live", "--device", "sim://depot/good-pump").exit_code == 0
    lines = shown[0].splitlines()
    assert len(lines) < 24
    assert max(map(len, lines)) <= 80
    assert lines[0].endswith("Ctrl-C ends")


def test_live_says_it_again_and_ends_in_order(
    steadyhead: Command, bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(setup_device, "LIVE_S", 0.3)
    threading.Timer(1.5, lambda: os.kill(os.getpid(), signal.SIGINT)).start()
    ended = steadyhead("setup", "device", "--live", "--device", bench.address)
    assert ended.exit_code == 0
    rows = [line.split("\t") for line in ended.stdout.splitlines()]
    assert len([row for row in rows if row[:2] == ["0", "pressure"]]) >= 3
    assert bench.heard[-1] == frames.Stream(False)


def test_live_as_json_is_a_record_a_line(steadyhead: Command, bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(setup_device, "LIVE_S", 0.3)
    threading.Timer(1.2, bench.stop).start()  # unplugged
    ended = steadyhead("setup", "device", "--live", "--json", "--device", bench.address)
    assert ended.exit_code == 70
    told = [json.loads(line) for line in ended.stdout.splitlines()]
    assert len(told) >= 3
    assert [record["ready"] for record in told[:-1]] == [True] * (len(told) - 1)
    assert "the line is gone" in told[-1]["remarks"][0]["found"]
    assert LIVE_S == 1.0


def test_what_keeps_a_run_from_starting_is_said_and_ends_with_70(steadyhead: Command, config: Path) -> None:
    stand = config / "stand.toml"
    text = stand.read_text(encoding="utf-8")
    stand.write_text(text.replace('mode = "followed"', 'mode = "driven"'), encoding="utf-8")
    ended = steadyhead(*SIM)
    assert ended.exit_code == 70
    assert "STOPS A RUN\tthis stand drives itself, and its device lacks: power switch" in ended.stdout


def test_without_a_stand_there_are_no_quantities(steadyhead: Command, config: Path) -> None:
    (config / "stand.toml").write_text("revision = 1\n", encoding="utf-8")
    ended = steadyhead(*SIM, "--json")
    told = json.loads(ended.stdout)
    assert ended.exit_code == 0
    assert (told["stand"], told["ready"]) == (None, False)
    assert {channel["value"] for channel in told["channels"]} == {None}
    assert told["remarks"][0]["found"] == "stand.toml cannot be read, so there are no quantities"
    ended = steadyhead("setup", "device")
    assert ended.exit_code == 64
    assert "stand.toml" in ended.stderr


@pytest.mark.parametrize("address", ["serial:///dev/gone-7", "serial:///dev/serial/by-id/gone-7?baud=115200"])
def test_a_port_that_is_not_there(
    steadyhead: Command, config: Path, monkeypatch: pytest.MonkeyPatch, address: str
) -> None:
    """The configured one or one given by hand: those that are there are listed."""
    board = Port("/dev/ttyACM3", ("/dev/serial/by-id/usb-Bench_board",), Usb(0xFFFE, 1, "MH01", name="Bench board"))
    monkeypatch.setattr(setup_ports, "ports", lambda: [board])
    stand = config / "stand.toml"
    stand.write_text(stand.read_text(encoding="utf-8").replace("serial:///dev/ttyACM0", address), encoding="utf-8")
    for words in ((), ("--device", address)):
        ended = steadyhead("setup", "device", *words)
        assert ended.exit_code == 70
        assert f"device {address}: expected a port, found none of that name" in ended.stderr
        assert ended.stdout.split("\t")[:4] == [
            "/dev/ttyACM3", "free", "Bench board, serial MH01", "/dev/serial/by-id/usb-Bench_board"
        ]  # fmt: skip


@pytest.mark.parametrize(
    ("words", "code", "match"),
    [
        (("--device", "smoke:///signals"), 64, "no driver for scheme 'smoke'"),
        (("--device", "nonsense"), 64, "SCHEME://PLACE"),
        (("--device", "sim://depot/nobody"), 64, "nobody"),
        (("--device", "tcp://127.0.0.1:1"), 70, "cannot connect"),
        (("--time", "0.5"), 64, "1"),
        (("--live", "--find"), 64, "--udev: expected at most"),
        (("--config", "/nonexistent"), 64, "a directory with stand.toml in it"),
    ],
)
def test_how_it_ends(steadyhead: Command, words: tuple[str, ...], code: int, match: str) -> None:
    ended = steadyhead("setup", "device", *words)
    assert (ended.exit_code, match in ended.stderr) == (code, True), ended.stderr


def test_a_stand_at_work_is_left_alone(steadyhead: Command, config: Path) -> None:
    """A second host on a TCP line would throw out the first, and its run would end."""
    stand = config / "stand.toml"
    text = stand.read_text(encoding="utf-8")
    stand.write_text(text.replace("serial:///dev/ttyACM0", "sim://depot/good-pump"), encoding="utf-8")
    data = load_stand(config).data
    data.mkdir(parents=True, exist_ok=True)
    with (data / "marrow-hill-bench-1.lock").open("w") as lock:
        lock.write("4211")
        lock.flush()
        fcntl.flock(lock, fcntl.LOCK_EX)
        ended = steadyhead("setup", "device", "--time", "1")
        assert ended.exit_code == 70
        assert "expected nobody else at work on it, found process 4211" in ended.stderr
        assert steadyhead("setup", "device", "--time", "1", "--device", "sim://depot/worn").exit_code == 0
    assert steadyhead("setup", "device", "--time", "1").exit_code == 0


def test_a_name_that_may_change_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    bare = Port("/dev/ttyACM0", usb=Usb(0xFFFE, 1))
    monkeypatch.setattr(setup_ports, "ports", lambda: [bare])
    remark = setup_ports.name_remark("serial:///dev/ttyACM0?baud=115200")
    assert remark is not None
    assert "--udev" in remark.do
    named = replace(bare, links=("/dev/steadyhead-bench-1",))
    monkeypatch.setattr(setup_ports, "ports", lambda: [named])
    remark = setup_ports.name_remark("serial:///dev/ttyACM0?baud=115200")
    assert remark is not None
    assert remark.do == 'write "serial:///dev/steadyhead-bench-1?baud=115200" into stand.toml'
    for lasting in ("serial:///dev/steadyhead-bench-1", "tcp://127.0.0.1:5025", "sim://depot/worn"):
        assert setup_ports.name_remark(lasting) is None
