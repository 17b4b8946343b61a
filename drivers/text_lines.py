"""A board that only prints: a header of names with units, then a line a scan. No power, no limits, no capture.

See drivers/README.md for what it has to print.
"""

import asyncio
import math
from collections import deque
from collections.abc import AsyncIterator, Callable, Sequence
from time import monotonic

from drivers.block import Capture, Event, Identity, Link, LinkChange, LinkCounts, Status
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
from drivers.text_lines_decode import Splitter, TextDecoder
from drivers.text_lines_header import EXAMPLE, HeaderError, Layout, read_header
from drivers.text_lines_known import State
from drivers.text_lines_replay import RECORDED, body_of
from drivers.transport import Transport, connect, open_port

BAUD = 115_200
"""Default of `text://`: what most boards print at (common practice, no source)."""
OPEN_WITHIN = 6.0
"""Seconds for a header and the first lines; a board that resets on opening sits in its boot loader for two."""
SILENT_AFTER = 1.0
"""Seconds without a scan after which a board counts as silent, as on the stand link."""
OPTIONS = frozenset({"baud", "header"})
_Mark = tuple[State, list[bytes], int]


class TextLinesDevice:
    """An open board; see `drivers.device.Device`. Call `start` first.

    `clock` gives seconds that never run backwards; with `virtual` nothing waits on the wall clock, and the transport's
    `read` moves the clock itself. `header` is one from elsewhere, for a board that prints none that can be used.
    """

    simulated = False
    status: Status | None = None

    def __init__(
        self,
        transport: Transport,
        address: Address,
        clock: Callable[[], float] = monotonic,
        *,
        virtual: bool = False,
        header: Layout | None = None,
    ) -> None:
        self.address, self.virtual = address, virtual
        self.tap: Callable[[bytes], None] | None = None
        self._transport, self._clock = transport, clock
        self._splitter, self._decoder = Splitter(), TextDecoder(address.place, header)
        self._pieces: deque[bytes] = deque()
        self._telling: tuple[_Mark, bytes, list[Event]] | None = None
        self._told = 0
        self._heard, self._scans, self._silent = clock(), 0, False
        self._gone = self._closed = False

    async def start(self, within: float = OPEN_WITHIN) -> None:
        """Waits for a header and for so many lines that the board's rate is known.

        Raises:
            DeviceSilentError: no header came in time, or nothing that fits it.
            ProtocolError: there was a header, but none that can be used.
            PortError: the line went away.
        """
        until, begun, read = self._clock() + within, not self._decoder.given, 0
        while self._decoder.identity is None:
            late = self._clock() >= until
            data = await self._read(until)
            if self._gone:
                raise PortError(self._why_gone())
            if late and (self.virtual or not data):
                raise self._no_identity(within, read)
            read += len(data or b"")
            while self._pieces and self._decoder.identity is None:
                if begun:
                    self._take()
                else:
                    self._pieces.popleft()  # it may lack its beginning, which no count of fields tells
                begun = True
        self._heard, self._scans = self._clock(), self.counts.scans

    def _no_identity(self, within: float, read: int) -> DriverError:
        name, counts, trouble = self.address.text, self._decoder.counts, self._decoder.trouble
        if trouble:
            return ProtocolError(f"{name}: {trouble}")
        if not read:
            return DeviceSilentError(f"{name}: nothing came within {within:g} s; is the board powered, and printing?")
        came = f"{counts.frames} lines with the header's fields, {counts.bad} others"
        if counts.frames + counts.bad == 0:
            came = f"{counts.unknown} lines" if counts.unknown else f"{read} bytes without a line's end"
            return DeviceSilentError(
                f"{name}: expected a header such as {EXAMPLE!r} within {within:g} s, found {came} and none; is the "
                "baud rate right? Reset the board so that it prints its header, have it printed every few seconds, or "
                "give it in the address: ?header=time[s],pressure[kPa],…"
            )
        return DeviceSilentError(
            f"{name}: expected lines with the fields of the header within {within:g} s, found {came}; compare what the "
            "board prints with its header"
        )

    @property
    def identity(self) -> Identity:
        """What is known of the board."""
        identity = self._decoder.identity
        if identity is None:
            raise DriverError(f"{self.address.text}: identity asked for before start(); open the device first")
        return identity

    @property
    def counts(self) -> LinkCounts:
        """`frames` counts sound lines, `unknown` those before a header."""
        return self._decoder.counts

    def recording_header(self) -> dict[str, object]:
        """What a recording that begins now, between two events, needs so that its replay gives the same events."""
        given, mark = self._decoder.given, self._decoder.mark
        if self._telling is not None:  # of the events of a line some were told already
            (state, pieces, n), piece, _ = self._telling
            mark = (state, [*pieces[:n], piece], n + 1)
        state, pieces, n = mark
        body = body_of(self._decoder.device_id, given, state, pieces[:n], self._told)
        return {"address": self.address.text, RECORDED: body}

    async def events(self) -> AsyncIterator[Event]:
        yield LinkChange(Link.UP, f"{self.address.text} is open")
        while True:
            while self._telling is not None:
                _, _, events = self._telling
                if self._told < len(events):
                    self._told += 1
                    yield events[self._told - 1]
                else:
                    self._telling, self._told = None, 0
                    if self._pieces:
                        self._take()
                        self._tap()
            if self._overdue and await self._more_waits():
                continue
            for change in self._listen():
                yield change
            if self._closed:
                return
            if self._gone:
                yield LinkChange(Link.DOWN, self._why_gone())
                return
            await self._read(None if self._silent else self._heard + SILENT_AFTER)
            if self._pieces:
                self._take()
                self._tap()

    def _take(self) -> None:
        """Takes the next piece; its events are to be told then."""
        mark, piece = self._decoder.mark, self._pieces.popleft()
        self._telling, self._told = (mark, piece, self._decoder.take(piece)), 0

    def _tap(self) -> None:
        if self.tap is not None and self._telling is not None:
            self.tap(self._telling[1])

    @property
    def _overdue(self) -> bool:
        return not self._silent and self._clock() - self._heard >= SILENT_AFTER

    async def _more_waits(self) -> bool:
        """Whether something has come that nobody read yet, as after the host stood still; then it is taken first."""
        if self.virtual or self._closed or self._gone or not await self._read(-math.inf):
            return False
        if self._pieces:
            self._take()
            self._tap()
        return True

    def _listen(self) -> list[LinkChange]:
        """Whether the board has fallen silent, or is heard again."""
        now, scans = self._clock(), self.counts.scans
        if scans != self._scans:
            self._heard, self._scans = now, scans
            again, self._silent = self._silent, False
            return [LinkChange(Link.UP, f"{self.address.text} prints again")] if again else []
        if not self._overdue:
            return []
        self._silent = True
        why = self._decoder.trouble or "check its power, its cable, and what it prints"
        return [LinkChange(Link.SILENT, f"{self.address.text}: no scan for {now - self._heard:.1f} s; {why}")]

    async def _read(self, until: float | None) -> bytes | None:
        """Bytes, cut into pieces; None where none came until then."""
        if self.virtual:
            await asyncio.sleep(0)  # a simulation never waits, but others must get their turn
            data = await self._transport.read()
        else:
            data = await self._read_until(until)
        self._gone = data == b""
        self._pieces.extend(self._splitter.feed(data or b""))
        return data

    async def _read_until(self, until: float | None) -> bytes | None:
        seconds = None if until is None else max(until - self._clock(), 0.0)
        if seconds == 0.0:
            await asyncio.sleep(0)  # a transport that the loop feeds gets what has come
        try:
            async with asyncio.timeout(seconds):
                return await self._transport.read()
        except TimeoutError:
            return None

    def _why_gone(self) -> str:
        return f"{self.address.text}: the line is gone; check cable and power of the board"

    async def drive(self, *, power: bool, valve: int | None, supply_mv: int | None, lease_ms: int) -> Reply:
        raise self._not_fitted("drive")

    async def limits(self, blank_ms: int, max_on_s: int, entries: Sequence[LimitEntry]) -> Reply:
        raise self._not_fitted("limits")

    async def capture(self, role: int, rate_hz: int, total: int) -> Capture:
        raise self._not_fitted("capture")

    async def clear(self) -> Reply:
        raise self._not_fitted("clear")

    def _not_fitted(self, what: str) -> NotFittedError:
        return NotFittedError(
            f"{self.address.text}: {what}: a board that only prints lines cannot be told to do anything; use a device "
            "that speaks the stand link"
        )

    async def close(self) -> None:
        if not self._closed:
            self._closed = True
            await self._transport.close()


async def open_text(address: Address) -> TextLinesDevice:
    """`text:///dev/…?baud=115200&header=…`, or `text://host:port`.

    Raises:
        AddressError, PortError, ProtocolError: as `drivers.device.open_device` says.
    """
    header, baud = _options(address)
    device = TextLinesDevice(await _transport(address, baud), address, header=header)
    try:
        await device.start()
    except BaseException:
        await device.close()
        raise
    return device


def _options(address: Address) -> tuple[Layout | None, int]:
    unknown = sorted(address.options.keys() - OPTIONS)
    if unknown:
        expected = ", ".join(sorted(OPTIONS))
        raise AddressError(f"device address {address.text!r}: unknown option {unknown[0]!r}; expected: {expected}")
    baud = address.options.get("baud", str(BAUD))
    if not (baud.isascii() and baud.isdecimal() and int(baud)):
        raise AddressError(f"device address {address.text!r}: baud={baud}: expected a whole number such as {BAUD}")
    given = address.options.get("header")
    try:
        return (None if given is None else read_header(given)), int(baud)
    except HeaderError as error:
        raise AddressError(f"device address {address.text!r}: header={given}: {error}") from error


async def _transport(address: Address, baud: int) -> Transport:
    if address.place.startswith("/"):
        return open_port(address.place, baud)
    host, _, port = address.place.rpartition(":")
    if not host or not port.isdecimal():
        raise AddressError(
            f"device address {address.text!r}: expected text:///dev/NAME, three slashes, or text://HOST:PORT"
        )
    return await connect(address.place)
