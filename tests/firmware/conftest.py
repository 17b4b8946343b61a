"""The devices that every case runs on. Each is started once and reset before every test, since starting costs most."""

from collections.abc import Callable, Iterator

import pytest

from tests.firmware.face import Device
from tests.firmware.host import Host
from tests.firmware.paper import CHANNELS, PaperDevice

N_ANALOG = len(CHANNELS)
"""Every device here has the six channels of the reference firmware."""

FIRMWARES: dict[str, Callable[[], Device]] = {"python": PaperDevice}

BEFORE_WRAP = {"tick": (1 << 32) - 400_000, "edges": (1 << 32) - 12}
"""Start values of the counters: 0.4 s of ticks of 1 µs, and twelve edges, before they wrap."""
WRAPPING: dict[str, Callable[[], Device]] = {"python": lambda: PaperDevice(**BEFORE_WRAP)}


@pytest.fixture(scope="session", params=list(FIRMWARES))
def device(request: pytest.FixtureRequest) -> Iterator[Device]:
    """One firmware, living as long as the tests."""
    made = FIRMWARES[request.param]()
    yield made
    made.close()


@pytest.fixture
def host(device: Device) -> Iterator[Host]:
    """A host at a device that has just been reset."""
    host = Host(device, N_ANALOG)
    yield host
    host.finish()


@pytest.fixture(scope="session", params=list(WRAPPING))
def wrapping_device(request: pytest.FixtureRequest) -> Iterator[Device]:
    """One firmware whose counters stand at every boot shortly before they wrap."""
    made = WRAPPING[request.param]()
    yield made
    made.close()


@pytest.fixture
def wrapping(wrapping_device: Device) -> Iterator[Host]:
    """A host at a device that has just been reset and whose counters are about to wrap."""
    host = Host(wrapping_device, N_ANALOG)
    yield host
    host.finish()
