"""Staying connected: one stream of events over however many connections it takes."""

import asyncio
from collections.abc import AsyncIterator, Awaitable, Callable, Sequence
from dataclasses import dataclass
from enum import Enum

from drivers.block import Capture, DeviceReset, Event, Identity, Link, LinkChange, LinkCounts, Status
from drivers.device import Address, AddressError, Device, LimitEntry, PortError, ProtocolError, Reply
from drivers.link.session import RESTARTED


class State(Enum):
    """Where the connection stands."""

    OPENING = "opening"
    UP = "up"
    WAITING = "waiting"
    FAILED = "failed"
    CLOSED = "closed"


class Happening(Enum):
    """What may happen to it."""

    OPENED = "opened"
    FAILED_TO_OPEN = "failed to open"
    HOPELESS = "hopeless"
    LOST = "lost"
    WAITED = "waited"
    CLOSE = "close"


NEXT = {
    (State.OPENING, Happening.OPENED): State.UP,
    (State.OPENING, Happening.FAILED_TO_OPEN): State.WAITING,
    (State.OPENING, Happening.HOPELESS): State.FAILED,
    (State.OPENING, Happening.CLOSE): State.CLOSED,
    (State.UP, Happening.LOST): State.WAITING,
    (State.UP, Happening.CLOSE): State.CLOSED,
    (State.WAITING, Happening.WAITED): State.OPENING,
    (State.WAITING, Happening.CLOSE): State.CLOSED,
    (State.FAILED, Happening.CLOSE): State.CLOSED,
    (State.CLOSED, Happening.OPENED): State.CLOSED,
    (State.CLOSED, Happening.FAILED_TO_OPEN): State.CLOSED,
    (State.CLOSED, Happening.HOPELESS): State.CLOSED,
    (State.CLOSED, Happening.LOST): State.CLOSED,
    (State.CLOSED, Happening.WAITED): State.CLOSED,
    (State.CLOSED, Happening.CLOSE): State.CLOSED,
}
"""All that can happen; anything else is a mistake of ours. What ends after closing changes nothing any more."""

HOPELESS = (AddressError, ProtocolError)
"""Errors that trying again does not cure."""


@dataclass(frozen=True, slots=True)
class BackOff:
    """Seconds to wait before opening again: `first`, then `factor` times as long each time, at most `longest`."""

    first: float = 0.5
    factor: float = 2.0
    longest: float = 10.0

    def wait(self, failures: int) -> float:
        # The exponent is held back, since a port may be missing for weeks and 2 to the power of that overflows.
        return min(self.first * self.factor ** min(failures, 32), self.longest)


class Reconnecting:
    """A Device that opens another one, and opens it again whenever it is lost.

    `opener` opens it once. `sleep` waits between attempts. The first connection is made by `events` as well; until
    then, and while there is none, requests raise PortError. The first event of a connection is LinkChange(UP); failures
    to open come as LinkChange(DOWN), each reason once. A device that restarted while the line was down gives
    DeviceReset before its Identity. `attempts` counts how often it was opened or tried to be.
    """

    def __init__(
        self,
        opener: Callable[[], Awaitable[Device]],
        address: Address,
        sleep: Callable[[float], Awaitable[object]] = asyncio.sleep,
        back_off: BackOff | None = None,
    ) -> None:
        self.address = address
        self.state = State.OPENING
        self.tap: Callable[[bytes], None] | None = None
        self._opener = opener
        self._sleep = sleep
        self._back_off = back_off or BackOff()
        self._device: Device | None = None
        self._identity: Identity | None = None
        self._past = LinkCounts()
        self.attempts = 0
        self._failures = 0
        self._told = ""
        self._reset_told = False

    @property
    def connected(self) -> bool:
        return self.state is State.UP

    @property
    def identity(self) -> Identity:
        """What the device said last, also while it is away.

        Raises:
            PortError: it was never there.
        """
        if self._identity is None:
            raise PortError(
                f"{self.address.text}: not connected yet, so nobody knows what it is; wait for LinkChange(UP)"
            )
        return self._identity

    @property
    def simulated(self) -> bool:
        return self.identity.simulated if self._device is None else self._device.simulated

    @property
    def virtual(self) -> bool:
        return self._device is not None and self._device.virtual

    @property
    def counts(self) -> LinkCounts:
        """Of all connections together."""
        return self._past.copy() if self._device is None else _sum(self._past, self._device.counts)

    @property
    def status(self) -> Status | None:
        return None if self._device is None else self._device.status

    @property
    def device(self) -> Device:
        """The device that is connected now.

        Raises:
            PortError: none is.
        """
        if self._device is None:
            raise PortError(f"{self.address.text}: not connected ({self._told or 'opening'}); wait for LinkChange(UP)")
        return self._device

    def recording_header(self) -> dict[str, object] | None:
        """Of the device that is connected now; None while none is."""
        return None if self._device is None else self._device.recording_header()

    async def events(self) -> AsyncIterator[Event]:
        """Ends after `close` only.

        Raises:
            AddressError, ProtocolError: trying again would not help.
        """
        while self.state is not State.CLOSED:
            async for event in self._connection():
                yield event
            if self.state is State.WAITING:
                await self._sleep(self._back_off.wait(self._failures))
                self._failures += 1
                self._happens(Happening.WAITED)

    async def _connection(self) -> AsyncIterator[Event]:
        """One attempt: its failure, or its events until it is lost."""
        self.attempts += 1
        try:
            device = await self._opener()
        except HOPELESS as error:
            self._happens(Happening.HOPELESS)
            yield LinkChange(Link.DOWN, str(error))
            raise
        except PortError as error:
            self._happens(Happening.FAILED_TO_OPEN)
            if str(error) != self._told:
                self._told = str(error)
                yield LinkChange(Link.DOWN, str(error))
            return
        self._happens(Happening.OPENED)
        if self.state is State.CLOSED:
            await device.close()
            return
        self._device, self._failures, self._told = device, 0, ""
        device.tap = self._tap
        try:
            async for event in device.events():
                for told in self._retell(event):
                    yield told
        finally:
            await self._leave(device)

    def _retell(self, event: Event) -> list[Event]:
        if isinstance(event, LinkChange) and event.link is Link.DOWN:
            self._told = event.reason
        if isinstance(event, DeviceReset):
            self._reset_told = True
        if not isinstance(event, Identity):
            return [event]
        before, self._identity = self._identity, event
        told, self._reset_told = self._reset_told, False
        if before is None or told or (before.boot, before.device_id) == (event.boot, event.device_id):
            return [event]
        self._past.resets += 1
        return [DeviceReset(event, RESTARTED), event]

    async def _leave(self, device: Device) -> None:
        self._past = _sum(self._past, device.counts)
        self._device = None
        self._happens(Happening.LOST)
        await device.close()

    def _tap(self, wire: bytes) -> None:
        if self.tap is not None:
            self.tap(wire)

    def _happens(self, happening: Happening) -> None:
        after = NEXT.get((self.state, happening))
        if after is None:
            raise RuntimeError(f"{self.address.text}: {happening.value!r} in state {self.state.value!r} cannot be")
        self.state = after

    async def drive(self, *, power: bool, valve: int | None, supply_mv: int | None, lease_ms: int) -> Reply:
        return await self.device.drive(power=power, valve=valve, supply_mv=supply_mv, lease_ms=lease_ms)

    async def limits(self, blank_ms: int, max_on_s: int, entries: Sequence[LimitEntry]) -> Reply:
        return await self.device.limits(blank_ms, max_on_s, entries)

    async def capture(self, role: int, rate_hz: int, total: int) -> Capture:
        return await self.device.capture(role, rate_hz, total)

    async def clear(self) -> Reply:
        return await self.device.clear()

    async def close(self) -> None:
        """No further attempt is made; a wait between two ends by itself."""
        self._happens(Happening.CLOSE)
        if self._device is not None:
            await self._device.close()


def _sum(a: LinkCounts, b: LinkCounts) -> LinkCounts:
    return LinkCounts(*(getattr(a, name) + getattr(b, name) for name in a.__slots__))
