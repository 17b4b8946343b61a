"""One open line to a stand-link device: transport, deframer and session turned together."""

import asyncio
import math
from collections import deque
from collections.abc import Callable

from drivers.block import DeviceReset, Event, Link, LinkChange
from drivers.device import DeviceSilentError, PortError, ProtocolError
from drivers.link.deframer import Deframer, Piece
from drivers.link.frames import PROTOCOL
from drivers.link.requests import Request
from drivers.link.session import Session
from drivers.transport import Transport

MOST_READS = 256
"""Reads in a row, of some thousand bytes each, before a deadline counts all the same: more than any buffer holds."""


class Line:
    """Reads whenever somebody waits for something, be it an event or an answer; keeps the events in `ready`.

    No deadline counts before all that has come by then is read: a host that stood still finds both at once, the
    deadline passed and the answer in its buffers.

    `name` stands in messages. `clock` gives seconds that never run backwards; with `virtual` it is moved by the
    transport's `read`, which then returns at once, and nothing waits on the wall clock. `gone` says why the line is
    lost, once it is. `resets` counts the resets seen.
    """

    def __init__(self, transport: Transport, name: str, clock: Callable[[], float], *, virtual: bool) -> None:
        self.name = name
        self.clock = clock
        self.session = Session(clock())
        self.ready: deque[tuple[Piece | None, list[Event]]] = deque()
        self.gone = ""
        self.resets = 0
        self._transport = transport
        self._virtual = virtual
        self._deframer = Deframer()
        self._reading = asyncio.Lock()
        self._writing = asyncio.Lock()
        self._wait: asyncio.Timeout | None = None

    async def identify(self, within: float) -> None:
        """As `ask`; then switches the stream on. Events begin with what the device said."""
        await self.ask(within)
        self.ready.clear()  # older than the identity that comes first
        self.ready.append((None, [LinkChange(Link.UP, f"{self.name} is open")]))
        identity = self.session.identity
        assert identity is not None, "ask() returns when somebody has said who it is"
        self.ready.append((self.session.identity_piece, [identity]))
        self.session.stream(True, self.clock())
        await self.flush()

    async def ask(self, within: float) -> None:
        """Asks until the device, which may be booting, has said who it is.

        Raises:
            DeviceSilentError: nothing sensible came in `within` seconds.
            ProtocolError: it speaks another version of the link.
            PortError: the line went away.
        """
        session = self.session
        until = self.clock() + within
        asked = [session.identify(self.clock())]
        await self.flush()

        def known() -> bool:
            self._check_protocol()
            if session.identity is None and asked[0].settled and self.clock() < until:
                asked[0] = session.identify(self.clock())
            return session.identity is not None

        if not await self.reached(known, until):
            raise DeviceSilentError(self._no_identity(within))

    def _check_protocol(self) -> None:
        found = self.session.other_protocol
        if found is not None:
            raise ProtocolError(
                f"{self.name}: the device speaks version {found} of the stand link, expected version {PROTOCOL}; "
                "load a matching firmware"
            )

    def _no_identity(self, within: float) -> str:
        counts = self.session.counts
        return (
            f"{self.name}: no identity within {within:g} s ({counts.frames} sound and {counts.bad} bad frames came); "
            "is the device powered, its firmware loaded, and the baud rate right?"
        )

    async def settle(self, request: Request) -> int:
        """The code that the device answers a request with.

        Raises:
            DeviceSilentError: there was no answer.
            PortError: the line is gone.
        """
        await self.flush()
        while not request.settled:
            await self.step(None, unless=lambda: request.settled)
        if request.code is None:
            name = type(request.frame).__name__.upper()
            raise DeviceSilentError(
                f"{self.name}: no answer to {name} in {len(request.seqs)} attempts, or the device restarted meanwhile; "
                "check the line from host to device"
            )
        return request.code

    async def reached(self, goal: Callable[[], bool], until: float) -> bool:
        """Reads until `goal` is true, or until it is late and nothing that came before is left; whether it is true.

        Raises:
            PortError: the line is gone.
        """
        while not goal():
            late = self.clock() >= until
            came = await self.step(until, unless=goal)
            if late and (self._virtual or not came):
                return goal()
        return True

    async def step(self, until: float | None, unless: Callable[[], bool] = lambda: False) -> bool:
        """Reads once, or until something else is due, at `until` at the latest; not at all if by the time that it is
        our turn `unless` is true. Gives whether bytes came.

        Raises:
            PortError: the line is gone.
        """
        async with self._reading:
            if unless():
                return False
            data = await self._read(until)
            now = self.clock()
            if self._virtual:
                self._poll(now)  # the read may have passed any time before these bytes came
            if data:
                self._take(data, now)
            if not self._virtual:
                await self._read_what_waits()
            self._poll(self.clock())
        await self.flush()
        return bool(data)

    async def _read_what_waits(self) -> None:
        """Reads what has come, if there is a deadline to be judged by it."""
        for _ in range(MOST_READS):
            due = self.session.deadline()
            if due is None or self.clock() < due:
                return
            data = await self._read(-math.inf)
            if not data:
                return
            self._take(data, self.clock())

    def _poll(self, now: float) -> None:
        late = self.session.poll(now)
        if late:
            self.ready.append((None, late))

    async def _read(self, until: float | None) -> bytes | None:
        if self.gone:
            raise PortError(self.gone)
        if self._virtual:
            await asyncio.sleep(0)  # a simulation never waits, but others must get their turn
            data = await self._transport.read()
        else:
            data = await self._read_until(until)
        if data == b"":
            self.gone = f"{self.name}: the line is gone; check cable and power of the device"
            raise PortError(self.gone)
        return data

    async def _read_until(self, until: float | None) -> bytes | None:
        """Bytes, b'' for a lost line, or None when a deadline came first."""
        due = self.session.deadline()
        first = min((t for t in (due, until) if t is not None), default=None)
        seconds = None if first is None else max(first - self.clock(), 0.0)
        if seconds == 0.0:
            await asyncio.sleep(0)  # a transport that the loop feeds gets what has come
        try:
            async with asyncio.timeout(seconds) as self._wait:
                return await self._transport.read()
        except TimeoutError:
            return None
        finally:
            self._wait = None

    def _take(self, data: bytes, now: float) -> None:
        session = self.session
        for piece in self._deframer.feed(data):
            events = session.handle(piece, now)
            self.resets += any(isinstance(event, DeviceReset) for event in events)
            if events and isinstance(events[0], LinkChange):
                # Told before the piece is tapped, so that a recording has the two in the order in which they are told.
                self.ready.append((None, [events.pop(0)]))
            self.ready.append((piece, events))

    async def flush(self) -> None:
        """Writes what the session wants to say; a line that fails is gone."""
        self._wake_reader()
        async with self._writing:
            data = self.session.take_output()
            if data and not self.gone:
                try:
                    await self._transport.write(data)
                except PortError as error:
                    self.gone = str(error)

    def _wake_reader(self) -> None:
        """A request may be due for repetition before the time until which the reader meant to wait."""
        due = self.session.deadline()
        if self._wait is None or due is None:
            return
        when = asyncio.get_running_loop().time() + max(due - self.clock(), 0.0)
        before = self._wait.when()
        if before is None or when < before:
            self._wait.reschedule(when)

    async def close(self) -> None:
        await self._transport.close()
