"""Ways to a simulated device: in memory, over a pseudo-terminal, over TCP. Virtual time drives; wall time only
paces."""

import asyncio
import os
import tty
from collections import deque
from collections.abc import Callable
from contextlib import suppress
from typing import Protocol

from drivers.device import PortError
from simulator.errors import ProgramError
from simulator.faults import frames_of
from simulator.rig import Rig

SILENT_FOR = 60.0
"""After so many virtual seconds without a byte the line in memory counts as gone, so that no reader waits for ever."""
LATE = 1.0
"""When pacing is so many wall seconds behind (the machine slept), it starts anew instead of catching up."""


class Playing(Protocol):
    """What moves virtual time: a rig, or a recording in its place. `block` (s) is how far `run` moves it."""

    block: float

    @property
    def time(self) -> float: ...

    @property
    def unplugged(self) -> bool: ...

    def run(self) -> list[bytes]: ...

    def write(self, data: bytes) -> None: ...

    def close(self) -> None: ...


class MemoryTransport:
    """A line in memory (see `drivers.transport.Transport`). `read` moves virtual time by one block; with `pace` it
    waits first until wall time has come as far, `pace` virtual seconds for one of the wall. When a firmware's program
    fails the line is gone, and `failure` says why. Closing it closes the rig."""

    def __init__(self, rig: Playing, pace: float | None = None) -> None:
        self.rig = rig
        self._pacer = None if pace is None else Pacer(rig, pace)
        self._pieces: deque[bytes] = deque()
        self._closed = False
        self.failure = ""

    def now(self) -> float:
        """Virtual seconds."""
        return self.rig.time

    async def read(self) -> bytes:
        until = self.rig.time + SILENT_FOR
        while not self._pieces:
            if self._closed or self.rig.unplugged or self.rig.time > until:
                return b""
            if self._pacer is not None:
                await self._pacer.wait()
            try:
                self._pieces.extend(self.rig.run())
            except ProgramError as error:
                self.failure, self._closed = str(error), True
        return self._pieces.popleft()

    async def write(self, data: bytes) -> None:
        if self._closed or self.rig.unplugged:
            raise PortError("simulated line: cannot write, it is closed or unplugged; open the device again")
        self.rig.write(data)

    async def close(self) -> None:
        self._closed = True
        self.rig.close()


class Pacer:
    """Holds virtual time back to `pace` seconds for a second of the wall."""

    def __init__(self, rig: Playing, pace: float) -> None:
        if pace <= 0.0:
            raise ValueError(f"pace of {pace}: expected virtual seconds for one of the wall, above 0")
        self._rig = rig
        self._pace = pace
        self._offset: float | None = None

    async def wait(self) -> None:
        """Returns when the wall has come to the end of the next block."""
        now = asyncio.get_running_loop().time()
        due = (self._rig.time + self._rig.block) / self._pace
        if self._offset is None or now - (self._offset + due) > LATE:
            self._offset = now - due
        await asyncio.sleep(max(0.0, self._offset + due - now))


class Line(Protocol):
    """An open line to the outside. `address` is how a host opens it."""

    address: str

    def send(self, data: bytes) -> None:
        """Sends whole frames; where the line is full it drops whole frames, never bytes."""
        ...

    async def close(self) -> None: ...


Receiver = Callable[[bytes], None]


class PtyLine:
    """A pseudo-terminal in raw mode. A host may close it and open it again; it is kept open from this side."""

    def __init__(self, receive: Receiver) -> None:
        self._near, self._far = os.openpty()
        tty.setraw(self._far)
        os.set_blocking(self._near, False)
        self.address = f"serial://{os.ttyname(self._far)}"
        self.dropped = 0
        self._rest = b""
        self._receive = receive
        asyncio.get_running_loop().add_reader(self._near, self._readable)

    def _readable(self) -> None:
        with suppress(BlockingIOError):
            self._receive(os.read(self._near, 4096))

    def send(self, data: bytes) -> None:
        frames = frames_of(data)
        if self._rest:
            self._rest = self._put(self._rest)
        while frames and not self._rest:
            frame = frames.pop(0)
            self._rest = self._put(frame)
            if self._rest == frame:
                self._rest = b""
                self.dropped += 1
                break
        self.dropped += len(frames)

    def _put(self, data: bytes) -> bytes:
        """Writes what fits; gives what is left."""
        try:
            return data[os.write(self._near, data) :]
        except BlockingIOError:
            return data

    async def close(self) -> None:
        asyncio.get_running_loop().remove_reader(self._near)
        os.close(self._near)
        os.close(self._far)


class TcpLine:
    """A TCP port for one host at a time; a second one takes the first one's place."""

    FULL = 65_536

    def __init__(self, receive: Receiver) -> None:
        self.address = ""
        self.dropped = 0
        self._receive = receive
        self._writer: asyncio.StreamWriter | None = None
        self._server: asyncio.Server | None = None

    async def open(self, host: str, port: int) -> None:
        self._server = await asyncio.start_server(self._serve, host, port)
        name = self._server.sockets[0].getsockname()
        self.address = f"tcp://{name[0]}:{name[1]}"

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        if self._writer is not None:
            self._writer.close()
        self._writer = writer
        with suppress(ConnectionError, asyncio.CancelledError):
            while data := await reader.read(4096):
                self._receive(data)
        if self._writer is writer:
            self._writer = None
        writer.close()

    def send(self, data: bytes) -> None:
        writer = self._writer
        if writer is None or writer.transport.get_write_buffer_size() > self.FULL:
            self.dropped += len(frames_of(data))
        else:
            writer.write(data)

    async def close(self) -> None:
        if self._writer is not None:
            self._writer.close()
        if self._server is not None:
            self._server.close()


async def keep_running(rig: Rig, line: Line, pace: float, after: Callable[[], None] = lambda: None) -> None:
    """Runs a rig on a line until it is unplugged or the task is cancelled; `after` is called behind every block."""
    pacer = Pacer(rig, pace)
    while not rig.unplugged:
        await pacer.wait()
        for piece in rig.run():
            line.send(piece)
        after()


async def serve_pty(
    rig: Rig, pace: float = 1.0, after: Callable[[], None] = lambda: None
) -> tuple[Line, "asyncio.Task[None]"]:
    """Puts a rig on a pseudo-terminal: the line, open already, and the task that runs it."""
    line = PtyLine(rig.write)
    return line, asyncio.create_task(keep_running(rig, line, pace, after), name="simulated device on a pseudo-terminal")


async def serve_tcp(
    rig: Rig, pace: float = 1.0, host: str = "127.0.0.1", port: int = 0, after: Callable[[], None] = lambda: None
) -> tuple[Line, "asyncio.Task[None]"]:
    """Puts a rig on a TCP port (0: a free one): the line, open already, and the task that runs it."""
    line = TcpLine(rig.write)
    await line.open(host, port)
    return line, asyncio.create_task(keep_running(rig, line, pace, after), name="simulated device on TCP")
