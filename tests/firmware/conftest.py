"""The devices that every case runs on. Each is started once and reset before every test, since starting costs most."""

from collections.abc import Callable, Iterator

import pytest

from simulator.coupling import Program
from tests import firmware_builds
from tests.firmware.face import Device
from tests.firmware.host import Host
from tests.firmware.variant import LINES, Variant, options, paper

Make = Callable[[Variant], Device]
WRAPPING = Variant(tick=(1 << 32) - 400_000, edges=(1 << 32) - 12)
"""Counters that begin 0.4 s of ticks of 1 µs, and twelve edges, before they wrap."""


def program(variant: Variant) -> Device:
    """The reference firmware as a program, built so."""
    return Program([*firmware_builds.host(), *options(variant)])


MAKERS: dict[str, Make] = {"python": paper, "host": program}
"""How each firmware is made that can be built in any way."""
USUAL: dict[str, Callable[[], Device]] = {
    "python": lambda: paper(Variant()),
    "host": lambda: program(Variant()),
    "avr": lambda: Program(firmware_builds.avr()),
}
ABOUT_TO_WRAP: dict[str, Callable[[], Device]] = {
    "python": lambda: paper(WRAPPING),
    "host": lambda: program(WRAPPING),
    "avr": lambda: Program(firmware_builds.wrapping_avr()),
}


@pytest.fixture(scope="session", params=list(USUAL))
def device(request: pytest.FixtureRequest) -> Iterator[Device]:
    """One firmware, living as long as the tests."""
    made = USUAL[request.param]()
    yield made
    made.close()


@pytest.fixture
def host(device: Device) -> Iterator[Host]:
    """A host at a device that has just been reset."""
    host = Host(device, len(LINES))
    yield host
    host.finish()


@pytest.fixture(scope="session", params=list(ABOUT_TO_WRAP))
def wrapping_device(request: pytest.FixtureRequest) -> Iterator[Device]:
    """One firmware whose counters stand at every boot shortly before they wrap."""
    made = ABOUT_TO_WRAP[request.param]()
    yield made
    made.close()


@pytest.fixture
def wrapping(wrapping_device: Device) -> Iterator[Host]:
    """A host at a device that has just been reset and whose counters are about to wrap."""
    host = Host(wrapping_device, len(LINES))
    yield host
    host.finish()


@pytest.fixture(params=list(MAKERS))
def build(request: pytest.FixtureRequest) -> Iterator[Callable[[Variant], Host]]:
    """Builds a device in another way, and gives the host at it."""
    made: list[tuple[Device, Host]] = []

    def build(variant: Variant) -> Host:
        device = MAKERS[request.param](variant)
        made.append((device, Host(device, len(variant.lines))))
        return made[-1][1]

    yield build
    for device, host in made:
        host.finish()
        device.close()
