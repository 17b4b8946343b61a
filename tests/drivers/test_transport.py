"""Real ports: a pseudo-terminal and a TCP connection on loopback."""

import asyncio
import os
import tty
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager, suppress
from time import monotonic

import pytest

from drivers.block import Block, Link, LinkChange
from drivers.device import Address, AddressError, DeviceSilentError, PortBusyError, PortError
from drivers.line import Line
from drivers.link import frames
from drivers.link.deframer import Deframer
from drivers.stand_link import StandLinkDevice, open_serial, open_tcp
from drivers.transport import connect, open_port
from tests.drivers.stand import Stand


class Pty:
    """A pseudo-terminal whose master we hold, as the device's end of a serial line."""

    def __init__(self) -> None:
        self.master, self._slave = os.openpty()
        tty.setraw(self._slave)
        self.path = os.ttyname(self._slave)

    def unplug(self) -> None:
        for fd in (self.master, self._slave):
            if fd >= 0:
                os.close(fd)
        self.master = self._slave = -1


@pytest.fixture
def pty() -> Iterator[Pty]:
    port = Pty()
    yield port
    port.unplug()


async def test_bytes_go_both_ways(pty: Pty) -> None:
    line = open_port(pty.path, 250_000)
    os.write(pty.master, b"\x02\x41\x00")
    assert await line.read() == b"\x02\x41\x00"
    await line.write(b"\x05\x00\x07")
    assert os.read(pty.master, 100) == b"\x05\x00\x07"
    await line.close()


async def test_the_rate_changes_while_the_port_is_open(pty: Pty) -> None:
    line = open_port(pty.path, 250_000)
    os.write(pty.master, b"at the old rate")
    line.retune(115_200)
    os.write(pty.master, b"at the new one")
    assert await line.read() == b"at the new one"
    pty.unplug()
    with pytest.raises(PortError, match="cannot go on at 500000 baud"):
        line.retune(500_000)
    await line.close()


async def test_a_read_waits_without_blocking_the_loop(pty: Pty) -> None:
    line = open_port(pty.path, 250_000)
    reading = asyncio.create_task(line.read())
    await asyncio.sleep(0)
    assert not reading.done()
    os.write(pty.master, b"x")
    assert await reading == b"x"
    await line.close()


async def test_more_than_the_port_takes_at_once_is_written_piece_by_piece(pty: Pty) -> None:
    line = open_port(pty.path, 250_000)
    data = bytes(range(1, 256)) * 300
    os.set_blocking(pty.master, False)
    writing = asyncio.create_task(line.write(data))
    found = b""
    while len(found) < len(data):
        await asyncio.sleep(0)
        try:
            found += os.read(pty.master, 65536)
        except BlockingIOError:
            continue
    await writing
    assert found == data
    await line.close()


async def test_unplugging_ends_a_read_and_refuses_a_write(pty: Pty) -> None:
    line = open_port(pty.path, 250_000)
    reading = asyncio.create_task(line.read())
    await asyncio.sleep(0)
    pty.unplug()
    assert await reading == b""
    assert await line.read() == b""
    with pytest.raises(PortError, match=f"{pty.path}: cannot write"):
        await line.write(b"x")
    await line.close()


async def test_closing_ends_a_read_under_way(pty: Pty) -> None:
    line = open_port(pty.path, 250_000)
    reading = asyncio.create_task(line.read())
    await asyncio.sleep(0)
    await line.close()
    await line.close()
    assert await reading == b""


async def test_a_port_in_use_is_told_as_such_and_free_again_after_closing(pty: Pty) -> None:
    line = open_port(pty.path, 250_000)
    with pytest.raises(PortBusyError, match=f"{pty.path}: another program has it open"):
        open_port(pty.path, 250_000)
    await line.close()
    await open_port(pty.path, 250_000).close()


def test_ports_that_cannot_be_opened() -> None:
    with pytest.raises(PortError, match="no such device"):
        open_port("/dev/steadyhead-not-there", 250_000)
    with pytest.raises(PortError, match="expected a serial device"):
        open_port("/dev/null", 250_000)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("serial:///dev/null?baud=fast", "baud=fast: expected a whole number"),
        ("serial:///dev/null?baud=0", "baud=0: expected a whole number"),
        ("serial:///dev/null?speed=9", "unknown option 'speed'; expected: baud"),
        ("serial://dev/null", "three slashes"),
    ],
)
async def test_serial_addresses_that_make_no_sense(text: str, message: str) -> None:
    with pytest.raises(AddressError, match=message):
        await open_serial(Address.parse(text))


@pytest.mark.parametrize("text", ["tcp://bench", "tcp://:5025", "tcp://bench:x", "tcp://bench:99999"])
async def test_tcp_addresses_that_make_no_sense(text: str) -> None:
    with pytest.raises(AddressError, match="expected tcp://HOST:PORT"):
        await open_tcp(Address.parse(text))


async def pump(stand: Stand, fd: int) -> None:
    """Plays a stand at the master's end, as fast as the line takes it; ends when that is closed."""
    os.set_blocking(fd, False)
    out = b""
    with suppress(OSError):
        while True:
            with suppress(BlockingIOError):
                await stand.write(os.read(fd, 4096))
            out = out or await stand.read() or b""
            with suppress(BlockingIOError):
                out = out[os.write(fd, out) :]
            await asyncio.sleep(0)


async def blocks_then_close(device: StandLinkDevice, number: int) -> list[Block]:
    blocks: list[Block] = []
    async for event in device.events():
        if isinstance(event, Block):
            blocks.append(event)
        if len(blocks) == number:
            await device.close()
            break
    return blocks


async def test_a_stand_on_a_pseudo_terminal(pty: Pty) -> None:
    stand = Stand()
    async with asyncio.TaskGroup() as group:
        task = group.create_task(pump(stand, pty.master))
        device = await open_serial(Address.parse(f"serial://{pty.path}?baud=250000"))
        blocks = await blocks_then_close(device, 10)
        task.cancel()
    assert [block.index for block in blocks] == [20 * k for k in range(10)]
    assert not any(block.missing for block in blocks)


async def test_a_stand_unplugged_from_a_pseudo_terminal_ends_the_events(pty: Pty) -> None:
    async with asyncio.TaskGroup() as group:
        task = group.create_task(pump(Stand(), pty.master))
        device = await open_serial(Address.parse(f"serial://{pty.path}"))
        last: object = None
        async for event in device.events():
            if isinstance(event, Block) and event.index == 100:
                task.cancel()
                pty.unplug()
            last = event
    assert isinstance(last, LinkChange)
    assert last.link is Link.DOWN
    assert "the line is gone" in last.reason
    await device.close()


@asynccontextmanager
async def stand_on_tcp(stand: Stand) -> AsyncIterator[int]:
    async def listen(reader: asyncio.StreamReader) -> None:
        while data := await reader.read(4096):
            await stand.write(data)

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        listening = asyncio.create_task(listen(reader))
        with suppress(OSError):
            while not listening.done():
                writer.write(await stand.read() or b"")
                await writer.drain()
                await asyncio.sleep(0)
        await listening
        writer.close()

    server = await asyncio.start_server(serve, "127.0.0.1", 0)
    async with server:
        yield server.sockets[0].getsockname()[1]


async def test_a_stand_over_tcp() -> None:
    async with stand_on_tcp(Stand()) as port:
        device = await open_tcp(Address.parse(f"tcp://127.0.0.1:{port}"))
        blocks = await blocks_then_close(device, 5)
    assert [block.index for block in blocks] == [0, 20, 40, 60, 80]


async def test_a_tcp_host_that_hangs_up_ends_the_read() -> None:
    async def hang_up(_reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        writer.close()

    server = await asyncio.start_server(hang_up, "127.0.0.1", 0)
    async with server:
        port = server.sockets[0].getsockname()[1]
        line = await connect(f"127.0.0.1:{port}")
        assert await line.read() == b""
        await line.close()
    with pytest.raises(PortError, match=f"TCP 127.0.0.1:{port}: cannot connect"):
        await connect(f"127.0.0.1:{port}")


async def test_a_request_is_repeated_although_the_reader_meant_to_wait_longer(
    pty: Pty, monkeypatch: pytest.MonkeyPatch
) -> None:
    """On a silent line with the stream not wanted the reader has no deadline of its own; a request must bring one."""
    monkeypatch.setattr("drivers.link.requests.REPEAT_AFTER", 0.002)
    line = Line(open_port(pty.path, 250_000), "bench-1", monotonic, virtual=False)
    reading = asyncio.create_task(line.step(None))
    await asyncio.sleep(0)
    with pytest.raises(DeviceSilentError, match="no answer to CLEAR in 4 attempts"):
        await line.settle(line.session.request(frames.Clear(), monotonic()))
    await reading
    deframer, sent = Deframer(opened=False), []
    while len(sent) < 4:
        sent += [piece.frame for piece in deframer.feed(os.read(pty.master, 1000)) if piece.frame]
    assert sent == [frames.Clear()] * 4
    await line.close()
