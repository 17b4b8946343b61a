"""Serial ports as values: what is behind them, their lasting names, and who has them. No real USB is needed."""

import os
import tty
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from drivers import ports as module
from drivers.ports import Port, Usb, port_at, ports
from drivers.transport import open_port


@dataclass
class Described:
    """A port as a listing describes it; 0xfffe is a maker that does not exist."""

    device: str
    vid: int | None = None
    pid: int | None = None
    serial_number: str | None = None
    location: str | None = None
    manufacturer: str | None = None
    product: str | None = None


@pytest.fixture
def dev(tmp_path: Path) -> Path:
    """A folder like /dev, with three ports, one name by id and one that a rule gave."""
    folder = tmp_path / "dev"
    (folder / "serial" / "by-id").mkdir(parents=True)
    for name in ("ttyACM0", "ttyUSB0", "ttyS0"):
        (folder / name).touch()
    (folder / "serial" / "by-id" / "usb-Marrow_Hill_Bench_board_MH01-if00").symlink_to("../../ttyACM0")
    (folder / "steadyhead-bench-1").symlink_to("ttyACM0")
    return folder


@pytest.fixture
def proc(tmp_path: Path) -> Path:
    """A folder like /proc, in which nobody has anything open."""
    folder = tmp_path / "proc"
    folder.mkdir()
    (folder / "locks").write_text("")
    return folder


def board(dev: Path) -> Described:
    return Described(str(dev / "ttyACM0"), 0xFFFE, 1, "MH01", "1-1.2:1.0", "Marrow Hill", "Bench board")


def test_what_is_behind_a_port_and_its_lasting_names(dev: Path, proc: Path) -> None:
    adapter = Described(str(dev / "ttyUSB0"), 0xFFFE, 2, None, "1-1.3")
    plain = Described(str(dev / "ttyS0"))
    found = ports(lambda: [plain, adapter, board(dev)], dev, proc)
    assert [Path(port.path).name for port in found] == ["ttyACM0", "ttyUSB0", "ttyS0"]  # those with USB first
    acm, usb, computer = found
    assert acm.usb == Usb(0xFFFE, 1, "MH01", "1-1.2", 0, "Marrow Hill", "Bench board")
    assert acm.links == (
        str(dev / "steadyhead-bench-1"),
        str(dev / "serial" / "by-id" / "usb-Marrow_Hill_Bench_board_MH01-if00"),
    )
    assert acm.lasting == str(dev / "steadyhead-bench-1")
    assert usb.usb is not None
    assert (usb.usb.interface, usb.usb.text, usb.lasting) == (None, "fffe:0002", str(dev / "ttyUSB0"))
    assert (computer.usb, computer.free) == (None, True)


def test_a_port_that_went_while_it_was_listed_is_left_out(dev: Path, proc: Path) -> None:
    assert ports(lambda: [Described(str(dev / "ttyACM7"))], dev, proc) == []


def test_the_port_behind_a_lasting_name(dev: Path, proc: Path) -> None:
    def listed() -> list[Port]:
        return ports(lambda: [board(dev)], dev, proc)

    found = port_at(str(dev / "serial" / "by-id" / "usb-Marrow_Hill_Bench_board_MH01-if00"), listed)
    assert found is not None
    assert found.path == str(dev / "ttyACM0")
    assert port_at(str(dev / "ttyUSB0"), listed) is None


def test_a_port_that_may_not_be_opened(dev: Path, proc: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(os, "access", lambda *_: False)
    group = module._group((dev / "ttyACM0").stat().st_gid)
    for members, member in (([], False), (["tester"], True)):
        monkeypatch.setattr(module.grp, "getgrnam", lambda _, m=members: _Named(m))
        monkeypatch.setattr(module.pwd, "getpwuid", lambda _: _User())
        [port] = ports(lambda: [board(dev)], dev, proc)
        assert (port.allowed, port.free, port.group, port.member) == (False, False, group, member)


@dataclass
class _Named:
    gr_mem: list[str]


class _User:
    pw_name = "tester"


def test_who_has_a_port_open_as_far_as_one_may_look(dev: Path, proc: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    process = proc / "4211" / "fd"
    process.mkdir(parents=True)
    (process.parent / "comm").write_text("steadyhead\n")
    (process / "0").symlink_to("/dev/null")
    (process / "7").symlink_to(dev / "ttyACM0")
    monkeypatch.setattr(module, "TTYS", str(dev / "tty"))
    [port] = ports(lambda: [board(dev)], dev, proc)
    assert (port.holder, port.free) == ("process 4211 (steadyhead)", False)


@pytest.mark.parametrize(("comm", "holder"), [("modem\n", "process 911 (modem)"), (None, "another program")])
def test_who_has_a_port_locked_though_nobody_may_look(dev: Path, proc: Path, comm: str | None, holder: str) -> None:
    """As proc_locks(5) words it: kind and process, then major:minor:inode of what is locked, the first two in hex."""
    node = (dev / "ttyACM0").stat()
    place = f"{os.major(node.st_dev):02x}:{os.minor(node.st_dev):02x}:{node.st_ino}"
    (proc / "locks").write_text(
        f"1: POSIX  ADVISORY  WRITE 300 {place} 0 EOF\n"
        f"2: FLOCK  ADVISORY  WRITE 911 {place} 0 EOF\n"
        f"2: -> FLOCK  ADVISORY  WRITE 912 {place} 0 EOF\n"
    )
    if comm is not None:
        (proc / "911").mkdir()
        (proc / "911" / "comm").write_text(comm)
    [port] = ports(lambda: [board(dev)], dev, proc)
    assert port.holder == holder


@pytest.fixture
def slave() -> Iterator[str]:
    near, far = os.openpty()
    tty.setraw(far)
    yield os.ttyname(far)
    os.close(near)
    os.close(far)


async def test_a_port_that_we_have_open_ourselves_is_seen_by_its_lock(slave: str) -> None:
    """The machine's own /proc, and a port opened as every driver here opens it."""
    [before] = ports(lambda: [Described(slave)])
    line = open_port(slave, 250_000)
    [during] = ports(lambda: [Described(slave)])
    await line.close()
    [after] = ports(lambda: [Described(slave)])
    assert (before.holder, after.holder) == ("", "")
    assert f"process {os.getpid()} (" in during.holder


def test_the_ports_of_this_machine_can_be_listed() -> None:
    assert all(Path(port.path).exists() for port in ports())
