"""A device that speaks the stand link, over any transport."""

import asyncio
from collections.abc import AsyncIterator, Callable, Sequence
from contextlib import suppress
from time import monotonic

from drivers.block import Block, Capture, DeviceReset, Event, Identity, Link, LinkChange, LinkCounts, Status
from drivers.device import (
    Address,
    AddressError,
    DeviceSilentError,
    DriverError,
    LimitEntry,
    NotFittedError,
    PortError,
    ProtocolError,
    Reply,
)
from drivers.line import Line
from drivers.link.codec import limits_crc
from drivers.link.deframer import Piece
from drivers.link.frames import (
    LEAVE_SUPPLY,
    LEAVE_VALVE,
    LONGEST_LEASE_MS,
    CaptureRequest,
    Clear,
    Drive,
    FromHost,
    Limits,
    ReplyCode,
)
from drivers.recording import resume_point
from drivers.transport import Transport, connect, open_port

BAUD = 250_000
"""Default of the stand link."""
OPEN_WITHIN = 6.0
"""Seconds for a device to answer after opening; a board that resets on opening sits in its boot loader for two."""
CLOSE_WITHIN = 0.5
"""Seconds that switching the stream off may take before the line is closed anyway; twice the repeat time."""
LIMITS_SHOWN_WITHIN = 1.5
"""Seconds until STATUS must show new limits; it comes on change and once a second."""
CAPTURE_SLACK = 2.0
"""Seconds that a capture may take beyond its own length, for sending it at a usual baud rate."""

_REPLIES: dict[int, str] = {
    ReplyCode.DONE: "done",
    ReplyCode.UNKNOWN_TYPE: "the device does not know this request; update its firmware",
    ReplyCode.BAD_VALUE: "the device finds a length or value wrong",
    ReplyCode.TRIPPED: "refused: tripped; remove the cause, then clear the trip",
    ReplyCode.NOT_FITTED: "refused: the device has no such output",
    ReplyCode.BUSY: "busy",
    ReplyCode.NO_LIMITS: "refused: no limits have been set since the device started",
    ReplyCode.INPUT_OPEN: "refused: stop circuit or splash guard is open, or the fluid level is low",
}


class StandLinkDevice:
    """An open device; see `drivers.device.Device`. Call `start` first.

    `clock` gives seconds that never run backwards. With `virtual` nothing ever waits on the wall clock: the transport's
    `read` moves the clock itself, and returns at once. Requests may be made from any task, also from the one that reads
    the events; each waits for its answer, and what else comes meanwhile is kept for the reader.
    """

    def __init__(
        self,
        transport: Transport,
        address: Address,
        clock: Callable[[], float] = monotonic,
        *,
        virtual: bool = False,
    ) -> None:
        self.address = address
        self.virtual = virtual
        self.tap: Callable[[bytes], None] | None = None
        self._line = Line(transport, address.text, clock, virtual=virtual)
        self._closed = False
        self._newest_drive: Drive | None = None
        self._done_drive: tuple[int, Drive] | None = None
        self._captures = 0
        self._last_block: Block | None = None
        self._last_sound: Piece | None = None

    async def start(self, within: float = OPEN_WITHIN) -> None:
        """Waits until the device, which may be booting, has said who it is, and switches the stream on.

        Raises:
            DeviceSilentError: nothing sensible came in time.
            ProtocolError: it speaks another version of the link.
            PortError: the line went away.
        """
        await self._line.identify(within)

    @property
    def identity(self) -> Identity:
        """What the device said last."""
        identity = self._line.session.identity
        if identity is None:
            raise DriverError(f"{self.address.text}: identity asked for before start(); open the device first")
        return identity

    @property
    def simulated(self) -> bool:
        return self.identity.simulated

    @property
    def counts(self) -> LinkCounts:
        return self._line.session.counts

    @property
    def status(self) -> Status | None:
        return self._line.session.status

    def recording_header(self) -> dict[str, object]:
        """What a recording that begins now, between two events, needs so that its replay gives the same events."""
        piece = self._line.session.identity_piece
        if piece is None:
            raise DriverError(f"{self.address.text}: recording_header before start(); open the device first")
        header: dict[str, object] = {"address": self.address.text, "identity_frame": piece.wire.hex()}
        if self._last_block is not None and self._last_sound is not None:
            header["resume"] = resume_point(self._last_block, self._last_sound.wire)
        return header

    async def events(self) -> AsyncIterator[Event]:
        line = self._line
        while True:
            while line.ready:
                piece, events = line.ready.popleft()
                if piece is not None:
                    self._pass_on(piece)
                for event in events:
                    if isinstance(event, Block):
                        self._last_block = event
                    elif isinstance(event, DeviceReset):
                        self._last_block = None
                    yield event
            if self._closed:
                return
            if line.gone:
                yield LinkChange(Link.DOWN, line.gone)
                return
            with suppress(PortError):
                await line.step(None, unless=lambda: bool(line.ready) or self._closed)

    def _pass_on(self, piece: Piece) -> None:
        if piece.sound:
            self._last_sound = piece
        if self.tap is not None:
            self.tap(piece.wire)

    async def close(self) -> None:
        """Switches the stream off if the device still listens, and gives the line back."""
        if self._closed:
            return
        self._closed = True
        with suppress(PortError, TimeoutError):
            async with asyncio.timeout(CLOSE_WITHIN):
                await self._line.settle(self._line.session.stream(False, self._line.clock()))
        await self._line.close()

    async def _ask(self, frame: FromHost, *, repeated: bool = True) -> Reply:
        """Sends a request and waits for its answer.

        Raises:
            DeviceSilentError: there was none.
            PortError: the line is gone.
        """
        if self._closed:
            raise DriverError(f"{self.address.text}: {type(frame).__name__} after close(); open the device again")
        line = self._line
        code = await line.settle(line.session.request(frame, line.clock(), repeated=repeated))
        return Reply(code, _REPLIES.get(code, f"reply code {code}, which the link does not know"))

    async def drive(self, *, power: bool, valve: int | None, supply_mv: int | None, lease_ms: int) -> Reply:
        """Sets the outputs. The same outputs again, with power on, only renew the lease and are not repeated.

        Raises:
            ValueError: the lease is longer than the link allows.
        """
        if not 0 <= lease_ms <= LONGEST_LEASE_MS:
            raise ValueError(f"drive: lease of {lease_ms} ms, expected 0 to {LONGEST_LEASE_MS}")
        frame = Drive(
            power,
            LEAVE_SUPPLY if supply_mv is None else supply_mv,
            LEAVE_VALVE if valve is None else valve,
            lease_ms,
        )
        renews = power and self._done_drive == (self._line.resets, frame)
        self._newest_drive = frame
        if not renews:
            self._done_drive = None
        reply = await self._ask(frame, repeated=not renews)
        if self._newest_drive is frame:
            self._done_drive = (self._line.resets, frame) if reply.done else None
        return reply

    async def limits(self, blank_ms: int, max_on_s: int, entries: Sequence[LimitEntry]) -> Reply:
        """Sets what makes the device trip by itself, and sees in STATUS that this is in force.

        Raises:
            ProtocolError: the device says done, but shows other limits.
        """
        frame = Limits(blank_ms, max_on_s, tuple(entries))
        reply = await self._ask(frame)
        if not reply.done:
            return reply
        expected, until = limits_crc(frame), self._line.clock() + LIMITS_SHOWN_WITHIN
        if not await self._line.reached(lambda: self._shown_limits() == expected, until):
            raise ProtocolError(
                f"{self.address.text}: limits not in force: STATUS shows CRC {self._shown_limits()}, expected "
                f"{expected}; the device's firmware does not keep the limits it is sent"
            )
        return reply

    def _shown_limits(self) -> int | None:
        status: Status | None = self._line.session.status
        return None if status is None else status.limits_crc

    async def capture(self, role: int, rate_hz: int, total: int) -> Capture:
        """A fast capture of the channel with this role. It comes in the stream of events too.

        Raises:
            NotFittedError: the device cannot capture, or not that channel.
            DeviceSilentError: a piece got lost; capture anew.
        """
        if self.identity.burst_max_hz == 0:
            raise NotFittedError(f"{self.address.text}: capture: the device has none")
        self._captures = (self._captures + 1) & 0xFF
        number, captures = self._captures, self._line.session.captures
        captures.forget(number)
        reply = await self._ask(CaptureRequest(number, role, rate_hz, total))
        if not reply.done:
            raise NotFittedError(f"{self.address.text}: capture of role {role} at {rate_hz} Hz: {reply.text}")
        until = self._line.clock() + total / rate_hz + CAPTURE_SLACK
        await self._line.reached(lambda: captures.result(number) is not None, until)
        capture = captures.result(number)
        if capture is None:
            missing = captures.missing(number, total)
            raise DeviceSilentError(f"{self.address.text}: capture: {missing} of {total} samples did not come")
        captures.forget(number)
        return capture

    async def clear(self) -> Reply:
        """Clears a trip whose cause is gone."""
        self._done_drive = None
        return await self._ask(Clear())


async def open_serial(address: Address) -> StandLinkDevice:
    """`serial:///dev/…?baud=250000`.

    Raises:
        AddressError, PortError, ProtocolError: as `drivers.device.open_device` says.
    """
    _check_options(address, {"baud"})
    text = address.options.get("baud", str(BAUD))
    if not text.isdecimal() or int(text) == 0:
        raise AddressError(f"device address {address.text!r}: baud={text}: expected a whole number such as {BAUD}")
    if not address.place.startswith("/"):
        raise AddressError(f"device address {address.text!r}: expected serial:///dev/NAME, three slashes")
    return await _started(open_port(address.place, int(text)), address)


async def open_tcp(address: Address) -> StandLinkDevice:
    """`tcp://host:port`; errors as for `open_serial`."""
    _check_options(address, set())
    return await _started(await connect(address.place), address)


async def _started(transport: Transport, address: Address) -> StandLinkDevice:
    device = StandLinkDevice(transport, address)
    try:
        await device.start()
    except BaseException:
        await transport.close()
        raise
    return device


def _check_options(address: Address, known: set[str]) -> None:
    unknown = sorted(address.options.keys() - known)
    if unknown:
        expected = ", ".join(sorted(known)) or "none"
        raise AddressError(f"device address {address.text!r}: unknown option {unknown[0]!r}; expected: {expected}")
