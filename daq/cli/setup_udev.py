"""A udev rule that gives a stand's port a name of its own, and lets its users open it."""

import re

from drivers.device import AddressError
from drivers.ports import Port

GROUP = "dialout"
"""Debian's group for serial ports."""
FOLDER = "/etc/udev/rules.d"

RULE = """\
# The port of stand {site}/{stand}: {what}
#
# 1. Put this into {file}
# 2. sudo udevadm control --reload
# 3. Unplug the device, then plug it in again; it is at /dev/{name} then.
# 4. In stand.toml:  address = "serial:///dev/{name}"
# 5. Whoever is to open it:  sudo usermod -aG {group} NAME, and log in again
{note}SUBSYSTEM=="tty", \\
    {match}, \\
    SYMLINK+="{name}", GROUP="{group}", MODE="0660", \\
    ENV{{ID_MM_DEVICE_IGNORE}}="1", ENV{{ID_MM_PORT_IGNORE}}="1"
"""
NO_SERIAL = """\
# It has no serial number, so it is known by the socket: leave it plugged in there.
"""


def name_of(stand: str) -> str:
    """The port's name below /dev."""
    return f"steadyhead-{stand}"


def file_of(stand: str) -> str:
    """Where the rule goes: behind the rules that find out what a device is (60), before those that use it (77)."""
    return f"{FOLDER}/70-{name_of(stand)}.rules"


def rule(port: Port, site: str, stand: str) -> str:
    """The rule with what to do with it. ID_MM_… keeps a modem manager, where there is one, from talking to the device
    (names of these properties from memory).

    Raises:
        AddressError: the port is no USB device, which needs no rule to be found again.
    """
    usb = port.usb
    if usb is None:
        raise AddressError(
            f"serial port {port.path}: expected a USB device behind it, found none; a port of the computer itself "
            f'keeps its name and needs no rule: write address = "serial://{port.path}" into stand.toml'
        )
    marks = [f'ATTRS{{idVendor}}=="{usb.vendor:04x}"', f'ATTRS{{idProduct}}=="{usb.product:04x}"']
    if usb.serial or usb.socket:
        marks.append(f'ATTRS{{serial}}=="{_literal(usb.serial)}"' if usb.serial else f'KERNELS=="{usb.socket}"')
    if usb.interface is not None:
        marks.append(f'ENV{{ID_USB_INTERFACE_NUM}}=="{usb.interface:02x}"')
    return RULE.format(
        name=name_of(stand),
        site=site,
        stand=stand,
        what=_comment(usb.text),
        file=file_of(stand),
        group=GROUP,
        note="" if usb.serial else NO_SERIAL,
        match=", \\\n    ".join(marks),
    )


def _literal(text: str) -> str:
    """A value that matches itself: what udev takes for a pattern or its end becomes one for any character."""
    return re.sub(r"[^\x20-\x7e]+", "*", re.sub(r'[*?\[\]|"\\]', "?", text))


def _comment(text: str) -> str:
    """On one line."""
    return re.sub(r"[^\x20-\x7e]", "?", text)
