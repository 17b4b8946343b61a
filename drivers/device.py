"""What every driver offers, and how an address becomes a device.

An address is `scheme://rest`. The scheme picks a driver among the entry points of the group `steadyhead.drivers`; each
names an asynchronous function `open(address: Address) -> Device`. A device that is not there is an error: nothing
ever falls back to simulation.
"""

from collections.abc import AsyncIterator, Awaitable, Callable, Sequence
from dataclasses import dataclass, field
from importlib.metadata import entry_points
from typing import Protocol
from urllib.parse import parse_qsl, urlsplit

from drivers.block import Capture, Event, Identity, LinkCounts, Status

ENTRY_POINTS = "steadyhead.drivers"


class DriverError(Exception):
    """Root of what drivers raise. The text says what, where, expected, found and what to do."""


class AddressError(DriverError):
    """An address that no driver can open; trying again does not help."""


class PortError(DriverError):
    """A port that cannot be opened or was lost; trying again may help."""


class PortBusyError(PortError):
    """Somebody else has the port."""


class ProtocolError(DriverError):
    """The device speaks, but not what this driver understands; trying again does not help."""


class DeviceSilentError(PortError):
    """Nothing sensible came within the time allowed."""


class NotFittedError(DriverError):
    """The device has no such output or capture."""


@dataclass(frozen=True, slots=True)
class Address:
    """`scheme://place?option=value`, as given in `text`."""

    text: str
    scheme: str
    place: str
    options: dict[str, str] = field(default_factory=dict)

    @classmethod
    def parse(cls, text: str) -> "Address":
        """Splits an address.

        Raises:
            AddressError: there is no `scheme://` in it.
        """
        if "://" not in text:
            raise AddressError(
                f"device address {text!r}: expected SCHEME://PLACE such as serial:///dev/ttyACM0, tcp://host:port, "
                "sim://scenario or replay://file"
            )
        try:
            parts = urlsplit(text)
        except ValueError as error:
            raise AddressError(f"device address {text!r}: expected SCHEME://PLACE, found none ({error})") from error
        return cls(text, parts.scheme, parts.netloc + parts.path, dict(parse_qsl(parts.query)))


@dataclass(frozen=True, slots=True)
class LimitEntry:
    """A limit of one analog channel (index in IDENTITY), in volts at the converter; infinity means none."""

    channel: int
    above: float
    below: float


@dataclass(frozen=True, slots=True)
class Reply:
    """A device's answer to a request: code 0 is done."""

    code: int
    text: str

    @property
    def done(self) -> bool:
        return self.code == 0


class Device(Protocol):
    """An open device. One reader only: `events` may be iterated once.

    `address` is where the data comes from; `simulated` is True for whatever did not come from hardware.
    `virtual` is True where sample time is not wall time (a replay, a simulation without pacing): whoever reads must
    not wait for the clock then.
    `tap`, if set, is called with each piece of wire bytes (up to and including a zero byte) just before the events
    that it gave are yielded; it is how recordings are made. Drivers without wire bytes never call it.
    """

    tap: Callable[[bytes], None] | None

    @property
    def address(self) -> Address: ...

    @property
    def identity(self) -> Identity: ...

    @property
    def simulated(self) -> bool: ...

    @property
    def virtual(self) -> bool: ...

    @property
    def counts(self) -> LinkCounts: ...

    @property
    def status(self) -> Status | None:
        """What the device said of itself last; None where it said nothing yet, or never does."""
        ...

    def recording_header(self) -> dict[str, object] | None:
        """What the header of a recording that begins now must hold for a replay to give the same events; None where
        there are no wire bytes to record."""
        ...

    def events(self) -> AsyncIterator[Event]:
        """Blocks, statuses, captures and link changes in the order they happened; ends when the device is gone for
        good."""
        ...

    async def drive(self, *, power: bool, valve: int | None, supply_mv: int | None, lease_ms: int) -> Reply: ...

    async def limits(self, blank_ms: int, max_on_s: int, entries: Sequence[LimitEntry]) -> Reply: ...

    async def capture(self, role: int, rate_hz: int, total: int) -> Capture:
        """A fast capture, which comes in the stream of events too."""
        ...

    async def clear(self) -> Reply: ...

    async def close(self) -> None: ...


Opener = Callable[[Address], Awaitable[Device]]


async def open_device(text: str) -> Device:
    """Opens the device at an address.

    Raises:
        AddressError: the scheme is unknown or the place makes no sense.
        PortError: the port is not there, not allowed or busy.
        ProtocolError: something answers that is no stand.
    """
    address = Address.parse(text)
    found = entry_points(group=ENTRY_POINTS, name=address.scheme)
    if not found:
        known = ", ".join(sorted(e.name for e in entry_points(group=ENTRY_POINTS)))
        raise AddressError(f"device address {text!r}: no driver for scheme {address.scheme!r}; installed are: {known}")
    opener: Opener = next(iter(found)).load()
    return await opener(address)
