"""`steadyhead setup device --ports`, `--watch`, `--find` and `--udev`, with ports that are given as values."""

import asyncio
import json
from dataclasses import replace
from pathlib import Path

import pytest

from daq.cli import output, setup_ports
from daq.cli.setup_ports import mend, state, watch
from drivers.ports import Port, Usb
from drivers.probe import Answer
from tests.daq.cli.conftest import Command
from tests.daq.measure.blocks import identity

BOARD = Port(
    "/dev/ttyACM0",
    ("/dev/serial/by-id/usb-Marrow_Hill_Bench_board_MH01-if00",),
    Usb(0xFFFE, 1, "MH01", "1-1.2", 0, "Marrow Hill", "Bench board"),
    group="dialout",
)
ADAPTER = Port("/dev/ttyUSB0", usb=Usb(0xFFFE, 2, socket="1-1.3", name="Adapter"), group="dialout")
HELD = replace(ADAPTER, path="/dev/ttyUSB1", holder="process 4211 (steadyhead)")
BARRED = replace(ADAPTER, path="/dev/ttyUSB2", allowed=False)
COMPUTER = Port("/dev/ttyS0", group="dialout")
ALL = [BOARD, ADAPTER, HELD, BARRED, COMPUTER]


@pytest.fixture
def there(monkeypatch: pytest.MonkeyPatch) -> list[Port]:
    """The ports of the machine; a test may change the list."""
    found = list(ALL)
    monkeypatch.setattr(setup_ports, "ports", lambda: list(found))
    return found


@pytest.fixture
def terminal(monkeypatch: pytest.MonkeyPatch) -> None:
    for module in (output, setup_ports):
        monkeypatch.setattr(module, "in_terminal", lambda: True)


@pytest.mark.parametrize(
    ("port", "said", "do"),
    [
        (BOARD, "free", ""),
        (HELD, "busy: process 4211 (steadyhead) has it open", "fuser -v /dev/ttyUSB1"),
        (BARRED, "not permitted: it belongs to the group dialout", "sudo usermod -aG dialout $USER"),
        (replace(BARRED, member=True), "not permitted: it belongs to the group dialout", "log out and in again"),
        (replace(BARRED, group="root"), "not permitted: it belongs to the group root", "ask who administers"),
    ],
)
def test_what_keeps_a_port_from_being_opened_and_what_helps(port: Port, said: str, do: str) -> None:
    assert state(port) == said
    assert do in " ".join(mend(port))
    assert bool(do) != port.free


@pytest.mark.usefixtures("there")
def test_ports_for_programs(steadyhead: Command) -> None:
    rows = [line.split("\t") for line in steadyhead("setup", "device", "--ports").stdout.splitlines()]
    assert [row[:2] for row in rows[:2]] == [["/dev/ttyACM0", "free"], ["/dev/ttyUSB0", "free"]]
    assert rows[0][2:4] == ["Marrow Hill Bench board, serial MH01", BOARD.links[0]]
    assert rows[3][4] == "join it, then log in again: sudo usermod -aG dialout $USER"
    told = json.loads(steadyhead("setup", "device", "--ports", "--json").stdout)
    assert [port["free"] for port in told] == [True, True, False, False, True]
    assert told[0]["usb"]["vendor"] == 0xFFFE
    assert told[0]["address"] == f"serial://{BOARD.links[0]}"


@pytest.mark.usefixtures("there", "terminal")
def test_ports_for_people(steadyhead: Command) -> None:
    text = steadyhead("setup", "device", "--ports").stdout
    blocks = text.split("\n\n")
    assert [block.split()[0] for block in blocks] == [port.path for port in ALL]
    assert f'    address = "serial://{BOARD.links[0]}"' in blocks[0]
    assert "--udev" not in blocks[0]  # its name lasts
    assert "steadyhead setup device --udev --device serial:///dev/ttyUSB0" in blocks[1]
    assert "    sudo usermod -aG dialout $USER\n" in blocks[3]
    assert [line for line in text.splitlines() if len(line) > 80 and "address = " not in line] == []


@pytest.mark.usefixtures("terminal")
def test_no_ports(steadyhead: Command, there: list[Port]) -> None:
    there.clear()
    assert "is the device plugged in" in steadyhead("setup", "device", "--ports").stdout


@pytest.mark.parametrize(
    "looks",
    [
        ([COMPUTER], [COMPUTER], [BOARD, COMPUTER]),  # plugged in
        ([BOARD, COMPUTER], [COMPUTER], [COMPUTER], [BOARD, COMPUTER]),  # unplugged, and plugged in again
        ([BOARD, COMPUTER], [COMPUTER], [BOARD, replace(ADAPTER, path="/dev/ttyS0")]),
    ],
)
def test_the_port_that_comes_is_told(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], looks: tuple[list[Port], ...]
) -> None:
    said: list[str] = []
    left = list(looks)
    monkeypatch.setattr(setup_ports, "ports", lambda: left.pop(0) if len(left) > 1 else left[0])
    monkeypatch.setattr(setup_ports, "note", said.append)
    assert watch(json=False, every_s=0.0, settle_s=0.0) == 0
    assert capsys.readouterr().out.split("\t")[0] == "/dev/ttyACM0"
    assert said[0].startswith("unplug the device if it is plugged in")
    assert ("/dev/ttyACM0 is gone" in said) == (BOARD in looks[0])


@pytest.fixture
def answers(monkeypatch: pytest.MonkeyPatch) -> dict[str, Answer]:
    """What is answered at which port; asking at any other is a mistake."""
    known = {
        BOARD.path: Answer(115_200, identity()),
        ADAPTER.path: Answer(9_600, text=True),
        COMPUTER.path: Answer(why="silent"),
    }

    async def probe(path: str) -> Answer:
        await asyncio.sleep(0)
        return known[path]

    monkeypatch.setattr(setup_ports, "probe", probe)
    return known


@pytest.mark.usefixtures("there", "answers")
def test_a_stand_is_found_and_ports_that_are_taken_are_left_alone(steadyhead: Command) -> None:
    ended = steadyhead("setup", "device", "--find")
    rows = [line.split("\t") for line in ended.stdout.splitlines()]
    assert ended.exit_code == 0
    assert rows == [
        [BOARD.path, "a stand: paper, firmware 1.0.0, at 115200 baud", f"serial://{BOARD.links[0]}?baud=115200"],
        [ADAPTER.path, "lines of text at 9600 baud", "text:///dev/ttyUSB0?baud=9600"],
        [HELD.path, "not asked: busy: process 4211 (steadyhead) has it open", ""],
        [BARRED.path, "not asked: not permitted: it belongs to the group dialout", ""],
        [COMPUTER.path, "silent", ""],
    ]
    told = json.loads(steadyhead("setup", "device", "--find", "--json").stdout)
    assert [port["stand"] for port in told] == [True, False, False, False, False]
    assert told[0]["address"].endswith("?baud=115200")
    assert told[4]["address"] is None


@pytest.mark.usefixtures("there", "answers", "terminal")
def test_what_was_found_for_people(steadyhead: Command) -> None:
    text = steadyhead("setup", "device", "--find").stdout
    assert f'    address = "serial://{BOARD.links[0]}?baud=115200"' in text
    assert "    fuser -v /dev/ttyUSB1" in text
    assert text.endswith("/dev/ttyS0  a port of the computer itself\n  silent\n")


def test_finding_none_ends_with_70(steadyhead: Command, there: list[Port], answers: dict[str, Answer]) -> None:
    answers[BOARD.path] = Answer(why="silent")
    assert steadyhead("setup", "device", "--find").exit_code == 70
    there.clear()
    assert steadyhead("setup", "device", "--find").exit_code == 70


@pytest.mark.usefixtures("there")
def test_the_rule_for_the_configured_device_or_for_another(steadyhead: Command) -> None:
    ended = steadyhead("setup", "device", "--udev")
    assert ended.exit_code == 0, ended.stderr
    assert 'ATTRS{serial}=="MH01"' in ended.stdout
    assert 'SYMLINK+="steadyhead-bench-1"' in ended.stdout
    ended = steadyhead("setup", "device", "--udev", "--device", "serial:///dev/ttyUSB0?baud=115200")
    assert 'KERNELS=="1-1.3"' in ended.stdout


@pytest.mark.usefixtures("there")
@pytest.mark.parametrize(
    ("address", "match"),
    [
        ("serial:///dev/ttyS0", "expected a USB device behind it"),
        ("serial:///dev/ttyACM9", "expected a serial port of this machine, found /dev/ttyACM0, /dev/ttyUSB0"),
        ("tcp://127.0.0.1:5025", "expected a serial port of this machine"),
    ],
)
def test_a_rule_for_what_no_rule_can_name(steadyhead: Command, address: str, match: str) -> None:
    ended = steadyhead("setup", "device", "--udev", "--device", address)
    assert (ended.exit_code, ended.stdout) == (64, "")
    assert match in ended.stderr


@pytest.mark.usefixtures("there", "answers")
@pytest.mark.parametrize("words", [("--ports",), ("--find",)])
def test_ports_can_be_looked_at_without_a_stand(steadyhead: Command, tmp_path: Path, words: tuple[str, ...]) -> None:
    assert steadyhead("setup", "device", *words, "--config", str(tmp_path / "none")).exit_code == 0
