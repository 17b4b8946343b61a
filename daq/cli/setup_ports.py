"""The ports of this machine for `steadyhead setup device`: which there are, which one comes, and where a stand is."""

import asyncio
import textwrap
import time
from collections.abc import Callable, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

from daq.catalogue.load import load_stand
from daq.cli.config import configuration
from daq.cli.exits import Exit
from daq.cli.output import complain, in_terminal, note, put, put_json, put_table
from daq.cli.setup_udev import file_of, rule
from daq.stand.bringup_checks import Remark
from drivers.device import Address, AddressError
from drivers.ports import Port, port_at, ports
from drivers.probe import Answer, address, probe

WIDTH = 80
PRIVATE = ("root", "tty")
"""Groups that nobody should join for the sake of a port."""
LOOK_EVERY_S = 0.3
SETTLE_S = 1.0
"""A new port gets its lasting names and its group only after it has appeared."""

NONE = "no serial ports; is the device plugged in and powered? `steadyhead setup device --watch` says when one comes"
WATCHING = "unplug the device if it is plugged in, then plug it in; Ctrl-C ends"
FINDING = "opening every free port and asking who is there; a board may restart from that. Nothing is switched"
PORTS = "/dev/"
"""What the path of every port begins with."""


def is_missing(text: str) -> bool:
    """Whether an address names a port that is not there; one that makes no sense is for the driver to refuse."""
    place = Address.parse(text).place
    return place.startswith(PORTS) and not Path(place).exists()


def tell_missing(text: str, *, json: bool) -> Exit:
    """Says that a device's port is not there, and which are."""
    complain(f"device {text}: expected a port, found none of that name; is it plugged in, or is it one of these?")
    put_ports(ports(), json=json)
    return Exit.INTERNAL


def print_rule(config: Path | None, text: str | None) -> Exit:
    """Prints the udev rule for the port of a stand's device, or of the one at an address.

    Raises:
        CatalogueError: there is no stand to name the port after, or mistakes are in it.
        AddressError: the address is none of a port that a rule can name.
    """
    stand = load_stand(configuration(config))
    place = Address.parse(text or stand.device).place
    port = port_at(place, ports)
    if port is None:
        there = ", ".join(port.path for port in ports()) or "none"
        raise AddressError(
            f"device address {text or stand.device!r}: expected a serial port of this machine, found {there}; plug it "
            "in, or name another with --device"
        )
    put(rule(port, stand.stand.site, stand.stand.name).rstrip())
    note(f"steadyhead setup device --udev | sudo tee {file_of(stand.stand.name)}   # writes it where it belongs")
    return Exit.PASS


def name_remark(text: str) -> Remark | None:
    """Where the name of a device's port may change, that and the name that does not."""
    address = Address.parse(text)
    port = port_at(address.place, ports) if address.place.startswith("/dev/tty") else None
    if port is None or port.usb is None:
        return None
    do = "`steadyhead setup device --udev` prints a rule that gives it one that stays"
    if port.links:
        do = f'write "{text.replace(address.place, port.lasting)}" into stand.toml'
    return Remark(False, f"the name {address.place} may change when ports move", do)


def list_ports(*, json: bool) -> Exit:
    """Shows all ports, and what keeps one from being opened."""
    put_ports(ports(), json=json)
    return Exit.PASS


def put_ports(found: Sequence[Port], *, json: bool) -> None:
    if json:
        put_json([as_json(port) for port in found])
    elif not in_terminal():
        put_table((), [_row(port) for port in found])
    else:
        put("\n\n".join(block(port) for port in found) or NONE)


def watch(*, json: bool, every_s: float = LOOK_EVERY_S, settle_s: float = SETTLE_S) -> Exit:
    """Waits until a port comes that was not there before, or was gone meanwhile, and shows it."""
    note(WATCHING)
    known = {port.path for port in ports()}
    while True:
        time.sleep(every_s)
        now = {port.path for port in ports()}
        for path in sorted(known - now):
            note(f"{path} is gone")
        if now - known:
            break
        known = now
    time.sleep(settle_s)
    put_ports([port for port in ports() if port.path in now - known], json=json)
    return Exit.PASS


def find(*, json: bool) -> Exit:
    """Asks at every free port whether a stand is there; the exit code says whether one was found."""
    note(FINDING)
    answers = asyncio.run(_ask_all(ports(), lambda port: note(f"{port.path} …")))
    if json:
        put_json([as_json(port) | _answer_json(port, answer) for port, answer in answers])
    elif not in_terminal():
        put_table((), [(port.path, *_told(port, answer)) for port, answer in answers])
    else:
        put("\n\n".join(_found(port, answer) for port, answer in answers) or NONE)
    return Exit.PASS if any(answer.identity for _, answer in answers) else Exit.INTERNAL


async def _ask_all(found: Sequence[Port], say: Callable[[Port], None]) -> list[tuple[Port, Answer]]:
    answers = []
    for port in found:
        if port.free:
            say(port)
        answers.append((port, await probe(port.path) if port.free else Answer(why=f"not asked: {state(port)}")))
    return answers


def _told(port: Port, answer: Answer) -> tuple[str, str]:
    """What answered, and the address to write down where that can be used."""
    if answer.identity is not None and answer.baud is not None:
        who = f"a stand: {answer.identity.device_id}, firmware {answer.identity.firmware}"
        return f"{who}, at {answer.baud} baud", address(port.lasting, answer.baud)
    if answer.text and answer.baud is not None:
        return f"lines of text at {answer.baud} baud", f"text://{port.lasting}?baud={answer.baud}"
    return answer.why, ""


def _found(port: Port, answer: Answer) -> str:
    """A port that was asked, or why it was not, for people."""
    if not port.free:
        return block(port)
    told, where = _told(port, answer)
    lines = [_title(port), *_indented(told)]
    return "\n".join(lines + (_use(port, where) if where else []))


def block(port: Port) -> str:
    """A port on a few lines, for people."""
    do, command = mend(port)
    lines = [_title(port), *_indented(f"{state(port)}{'; ' * bool(do)}{do}")]
    lines += [f"    {command}"] if command else []
    return "\n".join(lines + _use(port, f"serial://{port.lasting}"))


def _row(port: Port) -> tuple[str, ...]:
    """A port for whoever reads with a program."""
    return port.path, state(port), what(port), port.lasting, " ".join(mend(port)).strip()


def _title(port: Port) -> str:
    return f"{port.path}  {what(port)}"


def _indented(text: str) -> list[str]:
    return [f"  {line}" for line in textwrap.wrap(text, WIDTH - 2, break_on_hyphens=False, break_long_words=False)]


def _use(port: Port, where: str) -> list[str]:
    """What to write down, and what gives the port a name that lasts where it has none."""
    lines = ["  in stand.toml, below [device]:", f'    address = "{where}"']
    if port.usb is None or port.links:
        return lines
    rule = f"steadyhead setup device --udev --device {where}"
    return [*lines, "  this name may change when ports move; a udev rule gives it one that stays:", f"    {rule}"]


def what(port: Port) -> str:
    """What is behind a port, in words."""
    if port.usb is None:
        return "a port of the computer itself"
    serial = f", serial {port.usb.serial}" if port.usb.serial else ", no serial number"
    return f"{port.usb.text}{serial}"


def state(port: Port) -> str:
    if port.holder:
        return f"busy: {port.holder} has it open"
    if port.allowed:
        return "free"
    return f"not permitted: it belongs to the group {port.group}"


def mend(port: Port) -> tuple[str, str]:
    """What helps against the state of a port, and the command for it."""
    if port.holder:
        return "stop that one; this shows who it is:", f"fuser -v {port.path}"
    if port.allowed:
        return "", ""
    if port.member:
        return f"you are in {port.group} since you logged in: log out and in again", ""
    if port.group in PRIVATE:
        return "ask who administers this computer to let you", ""
    return "join it, then log in again:", f"sudo usermod -aG {port.group} $USER"


def as_json(port: Port) -> dict[str, Any]:
    return asdict(port) | {"free": port.free, "address": f"serial://{port.lasting}"}


def _answer_json(port: Port, answer: Answer) -> dict[str, Any]:
    told, where = _told(port, answer)
    return {"told": told, "stand": answer.identity is not None, "baud": answer.baud, "address": where or None}
