"""The udev rule for a stand's port: what it matches, what it gives, and the template that ships."""

import re
from pathlib import Path

import pytest

from daq.cli.setup_udev import file_of, rule
from drivers.device import AddressError
from drivers.ports import Port, Usb

TEMPLATE = Path(__file__).parents[3] / "deploy" / "udev" / "70-steadyhead-bench-1.rules"
GIVEN = ['SYMLINK+="steadyhead-bench-1"', 'GROUP="dialout"', 'MODE="0660"', 'ENV{ID_MM_DEVICE_IGNORE}="1"']


def keys(text: str) -> list[str]:
    """The one rule in a file: its comma-separated parts, lines that end in a backslash joined."""
    lines = "\n".join(line for line in text.splitlines() if not line.startswith("#"))
    [joined] = [line for line in lines.replace("\\\n", " ").splitlines() if line.strip()]
    return [part.strip() for part in joined.split(",")]


def rule_of(usb: Usb) -> str:
    return rule(Port("/dev/ttyACM0", usb=usb), "marrow-hill", "bench-1")


def test_a_board_is_known_by_its_serial_number() -> None:
    """All ATTRS of a rule must hold on one and the same device above the port: udev(7). These are all of the USB
    device; the interface is not, and comes from a property."""
    text = rule_of(Usb(0xFFFE, 0x0A, "MH01", "1-1.2", 0, "Marrow Hill", "Bench board"))
    matched = ['SUBSYSTEM=="tty"', 'ATTRS{idVendor}=="fffe"', 'ATTRS{idProduct}=="000a"', 'ATTRS{serial}=="MH01"']
    assert keys(text)[:5] == [*matched, 'ENV{ID_USB_INTERFACE_NUM}=="00"']
    assert set(GIVEN) < set(keys(text))
    assert "# The port of stand marrow-hill/bench-1: Marrow Hill Bench board\n" in text
    assert f"Put this into {file_of('bench-1')}\n" in text
    assert 'address = "serial:///dev/steadyhead-bench-1"' in text
    for command in ("sudo udevadm control --reload", "sudo usermod -aG dialout NAME"):
        assert command in text


def test_one_without_a_serial_number_by_its_socket() -> None:
    text = rule_of(Usb(0xFFFE, 2, socket="1-1.3"))
    assert keys(text)[3] == 'KERNELS=="1-1.3"'
    assert not [key for key in keys(text) if key.startswith(("ATTRS{serial}", "ENV{ID_USB_INTERFACE"))]
    assert "known by the socket" in text


def test_one_whose_socket_nobody_knows_by_its_kind() -> None:
    assert keys(rule_of(Usb(0xFFFE, 2)))[3].startswith("SYMLINK")


@pytest.mark.parametrize(
    ("serial", "matched"),
    [
        ("MH 01", "MH 01"),
        ('MH"01\\', "MH?01?"),  # quote and backslash end or escape a value
        ("MH*[0]|?", "MH??0???"),  # udev(7) takes these for patterns
        ("MH°ü1", "MH*1"),
        ("MH\n01", "MH*01"),
    ],
)
def test_a_serial_number_matches_itself_and_ends_no_rule(serial: str, matched: str) -> None:
    assert f'ATTRS{{serial}}=="{matched}"' in keys(rule_of(Usb(0xFFFE, 2, serial)))


def test_what_a_device_says_of_itself_stays_within_its_comment() -> None:
    text = rule_of(Usb(0xFFFE, 2, "MH01", maker='Bad\nSUBSYSTEM=="block"', name="board"))
    assert keys(text)[0] == 'SUBSYSTEM=="tty"'


def test_a_port_of_the_computer_needs_none() -> None:
    with pytest.raises(AddressError, match=r"expected a USB device behind it, found none.*serial:///dev/ttyS0"):
        rule(Port("/dev/ttyS0"), "marrow-hill", "bench-1")


def test_the_template_is_a_rule_as_they_are_printed() -> None:
    """What ships has the same parts, and values to be replaced in each of those that tell one device from another."""
    shipped = keys(TEMPLATE.read_text(encoding="utf-8"))
    printed = keys(rule_of(Usb(0xFFFE, 1, "SERIAL", "1-1", None, "Marrow Hill", "board")))
    assert [re.split("[=+]", key)[0] for key in shipped] == [re.split("[=+]", key)[0] for key in printed]
    assert set(GIVEN) < set(shipped)
