"""The serial ports of this machine: what each is, who has it, and under which name it is found again.

Nothing here opens a port, since many boards restart when that happens.
"""

import grp
import os
import pwd
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from serial.tools.list_ports import comports

DEV, PROC = Path("/dev"), Path("/proc")
TTYS = "/dev/tty"
"""What the path of a serial port begins with."""
BY_ID = "serial/by-id"
"""Below /dev: names that udev makes of maker, product and serial number, which stay when ports move."""


class Described(Protocol):
    """What a listing knows of a port, by the names that pyserial gives it; None where it does not know."""

    device: str
    vid: int | None
    pid: int | None
    serial_number: str | None
    location: str | None
    manufacturer: str | None
    product: str | None


@dataclass(frozen=True, slots=True)
class Usb:
    """The adapter or board behind a port. `socket` is where it is plugged in, by the kernel's name; `interface` tells
    the ports of one adapter apart, None where there is one only."""

    vendor: int
    product: int
    serial: str = ""
    socket: str = ""
    interface: int | None = None
    maker: str = ""
    name: str = ""

    @property
    def text(self) -> str:
        """For people: maker and name as the device says them."""
        return " ".join(word for word in (self.maker, self.name) if word) or f"{self.vendor:04x}:{self.product:04x}"


@dataclass(frozen=True, slots=True)
class Port:
    """A serial port at `path`. `links` are other names that lead to it, the most lasting first.

    `allowed` says whether this process may open it, `group` whose members may; with `member` the user is one of these,
    but logged in before that was so. `holder` says who has it open, "" where nobody is known to.
    """

    path: str
    links: tuple[str, ...] = ()
    usb: Usb | None = None
    allowed: bool = True
    group: str = ""
    member: bool = False
    holder: str = ""

    @property
    def free(self) -> bool:
        return self.allowed and not self.holder

    @property
    def lasting(self) -> str:
        """The name to write into a configuration."""
        return self.links[0] if self.links else self.path


def ports(listed: Callable[[], Iterable[Described]] = comports, dev: Path = DEV, proc: Path = PROC) -> list[Port]:
    """All serial ports that are there now, those with USB behind them first."""
    links, holders = _links(dev), _holders(proc)
    found = [_port(described, links, holders) for described in listed()]
    return sorted((p for p in found if p is not None), key=lambda p: (p.usb is None, p.path))


def port_at(place: str, listed: Callable[[], Iterable[Port]] = ports) -> Port | None:
    """The listed port behind a name such as one below /dev/serial/by-id."""
    real = os.path.realpath(place)
    return next((port for port in listed() if port.path == real), None)


def _port(found: Described, links: dict[str, list[str]], holders: dict[object, str]) -> Port | None:
    path = os.path.realpath(found.device)
    try:
        node = Path(path).stat()
    except OSError:  # unplugged since it was listed
        return None
    group = _group(node.st_gid)
    allowed = os.access(path, os.R_OK | os.W_OK)
    lock = (os.major(node.st_dev), os.minor(node.st_dev), node.st_ino)
    return Port(
        path=path,
        links=tuple(links.get(path, ())),
        usb=_usb(found),
        allowed=allowed,
        group=group,
        member=not allowed and _is_member(group),
        holder=holders.get(path) or holders.get(lock, ""),
    )


def _usb(found: Described) -> Usb | None:
    if found.vid is None or found.pid is None:
        return None
    socket, _, interface = (found.location or "").partition(":")
    number = interface.rpartition(".")[2]
    return Usb(
        found.vid,
        found.pid,
        found.serial_number or "",
        socket,
        int(number) if number.isdecimal() else None,
        found.manufacturer or "",
        found.product or "",
    )


def _links(dev: Path) -> dict[str, list[str]]:
    """Names by the path that they lead to: those that a rule of ours or a person gave first, then those by id."""
    links: dict[str, list[str]] = {}
    for name in (*sorted(dev.glob("*")), *sorted(dev.glob(f"{BY_ID}/*"))):
        if name.is_symlink():
            links.setdefault(os.path.realpath(name), []).append(str(name))
    return links


def _group(number: int) -> str:
    try:
        return grp.getgrgid(number).gr_name
    except KeyError:
        return str(number)


def _is_member(group: str) -> bool:
    """Whether the user database has this user in a group; a login that is older does not know of it."""
    try:
        return pwd.getpwuid(os.getuid()).pw_name in grp.getgrnam(group).gr_mem
    except KeyError:
        return False


def _holders(proc: Path) -> dict[object, str]:
    """Who has what open: by path as far as this user may look, by (major, minor, inode) where it is locked, which
    everybody may see."""
    holders: dict[object, str] = {}
    for lock in _lines(proc / "locks"):
        words = lock.split()
        if "FLOCK" in words and "->" not in words:
            major, minor, inode = words[-3].split(":")
            holders[int(major, 16), int(minor, 16), int(inode)] = _program(proc, words[-4])
    for open_file in proc.glob("[0-9]*/fd/*"):
        process = open_file.parts[-3]
        try:
            target = str(open_file.readlink())
        except OSError:  # closed meanwhile
            continue
        if target.startswith(TTYS) and process != str(os.getpid()):
            holders[target] = _program(proc, process)
    return holders


def _program(proc: Path, process: str) -> str:
    name = next(iter(_lines(proc / process / "comm")), "")
    return f"process {process} ({name})" if name else "another program"


def _lines(path: Path) -> list[str]:
    try:
        return path.read_text(encoding="utf-8", errors="replace").splitlines()
    except OSError:
        return []
