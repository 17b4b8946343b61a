"""The board that only prints, as a device: over a line in memory, a pseudo-terminal and TCP; and what a recording of it
holds."""

import asyncio
import json
import os
import tty
from collections.abc import AsyncIterator, Iterable
from contextlib import aclosing, asynccontextmanager
from pathlib import Path

import numpy as np
import pytest

from drivers.block import Block, DeviceReset, Event, Identity, Link, LinkChange
from drivers.device import (
    Address,
    AddressError,
    Device,
    DeviceSilentError,
    DriverError,
    NotFittedError,
    PortError,
    ProtocolError,
    open_device,
)
from drivers.reconnect import Reconnecting
from drivers.recording import RecordingError, RecordingWriter
from drivers.replay import ReplayDevice
from drivers.text_lines import TextLinesDevice
from drivers.text_lines_header import read_header
from tests.drivers.printed import HEADER, PLAIN, blocks, comparable, decoded, lines, plain, text

ADDRESS = Address.parse("text://bench.invalid:4001")
STEP = 0.04


class Printed:
    """A line on which these bytes come, one piece a read, each 40 ms after the one before; None is a pause."""

    def __init__(self, pieces: Iterable[bytes | None], *, ends: bool = True) -> None:
        self._pieces = iter(pieces)
        self._ends = ends
        self.reads, self.closed = 0, False

    def now(self) -> float:
        return self.reads * STEP

    async def read(self) -> bytes | None:
        self.reads += 1
        return next(self._pieces, b"" if self._ends else None)

    async def write(self, data: bytes) -> None:
        raise AssertionError(f"a board that only prints was told {data!r}")

    async def close(self) -> None:
        self.closed = True


def board(line: Printed, header: str = "") -> TextLinesDevice:
    given = read_header(header) if header else None
    return TextLinesDevice(line, ADDRESS, line.now, virtual=True, header=given)


def pieces(data: bytes, size: int = 200) -> list[bytes]:
    return [data[k : k + size] for k in range(0, len(data), size)]


async def opened(data: bytes, size: int = 200) -> TextLinesDevice:
    device = board(Printed(pieces(data, size)))
    await device.start()
    return device


async def all_of(device: Device) -> list[Event]:
    return [event async for event in device.events()]


WHOLE = text(HEADER, lines(200))


# Opening.


async def test_what_it_says_from_the_first_event_to_the_last() -> None:
    device = await opened(WHOLE)
    assert (device.simulated, device.virtual, device.status) == (False, True, None)
    events = await all_of(device)
    assert events[0] == LinkChange(Link.UP, "text://bench.invalid:4001 is open")
    assert events[1] == device.identity
    assert events[-1] == LinkChange(
        Link.DOWN, "text://bench.invalid:4001: the line is gone; check cable and power of the board"
    )
    assert list(comparable(events[2:-1])) == list(comparable(blocks(decoded(WHOLE)[1])))
    assert device.identity.device_id == "bench.invalid:4001"
    assert device.counts.scans == 200


async def test_a_line_whose_beginning_is_missing_is_not_taken_for_a_scan() -> None:
    """Where the header is in the address, the first line's count of fields may be right and its time cut short."""
    data = text(plain(10 + np.arange(100) / 100))[1:]
    device = board(Printed(pieces(data)), PLAIN.strip())
    await device.start()
    assert blocks(await all_of(device))[0].tick == 10_010_000


async def test_opened_in_mid_stream_it_waits_for_the_header() -> None:
    device = await opened(text(lines(150)[100:], HEADER, lines(200)))
    assert blocks(await all_of(device))[0].tick == 1_000_000
    assert device.counts.unknown == 50


CANNOT_OPEN: list[tuple[bytes, type[DriverError], str]] = [
    (b"", DeviceSilentError, r"nothing came within 6 s; is the board powered, and printing\?"),
    (
        text(lines(300)),
        DeviceSilentError,
        r"expected a header such as 'time \[s\], .*' within 6 s, found 300 lines and none; is the .*baud rate right\? "
        r"Reset the board so that it prints its header, .* or give it in the address: \?header=",
    ),
    (b"\xfe\x00\x80" * 200, DeviceSilentError, r"found 600 bytes without a line's end and none; is the baud rate"),
    (
        text("time [s], pressure [at]\n", plain([1.0, 1.01])),
        ProtocolError,
        r"^text://bench.invalid:4001: column pressure \[at\]: expected a unit out of Pa, .*, found 'at'; print",
    ),
    (
        text(HEADER, plain(np.arange(200) / 100)),
        DeviceSilentError,
        r"expected lines with the fields of the header within 6 s, found 0 lines with the header's fields, 200 others",
    ),
    (text(PLAIN, ["1.0, 5\n"] * 300), ProtocolError, r"column time: expected it to rise from line to line"),
]


@pytest.mark.parametrize(("data", "kind", "why"), CANNOT_OPEN)
async def test_what_cannot_be_opened(data: bytes, kind: type[DriverError], why: str) -> None:
    device = board(Printed(pieces(data, 4000), ends=False))
    with pytest.raises(kind, match=why):
        await device.start()
    with pytest.raises(DriverError, match="identity asked for before start"):
        _ = device.identity


async def test_a_line_that_goes_while_it_is_opened() -> None:
    with pytest.raises(PortError, match="the line is gone; check cable and power of the board"):
        await board(Printed(pieces(text(HEADER, lines(5))))).start()


# Silence.


async def test_a_board_that_falls_silent_and_prints_again() -> None:
    pause = [None] * 40
    line = Printed([*pieces(WHOLE), *pause, *pieces(text(lines(60, begin=4.6)))])
    device = board(line)
    await device.start()
    events = await all_of(device)
    changes = [e for e in events if isinstance(e, LinkChange)]
    assert [c.link for c in changes] == [Link.UP, Link.SILENT, Link.UP, Link.DOWN]
    assert changes[1].reason == (
        "text://bench.invalid:4001: no scan for 1.0 s; check its power, its cable, and what it prints"
    )
    assert changes[2].reason == "text://bench.invalid:4001 prints again"
    assert [b.missing for b in blocks(events) if b.missing] == [160]


async def test_lines_that_are_no_scans_are_silence_and_the_reason_says_why() -> None:
    data = text(PLAIN, plain(np.arange(100) / 100), "time [s], pressure [at]\n", plain(1 + np.arange(3000) / 100))
    events = await all_of(await opened(data, 400))
    (silent,) = [e for e in events if isinstance(e, LinkChange) and e.link is Link.SILENT]
    assert "no scan for 1.0 s; column pressure [at]: expected a unit" in silent.reason


# What it cannot do.


async def test_it_cannot_be_told_anything() -> None:
    device = await opened(WHOLE)
    asked = [
        device.drive(power=True, valve=None, supply_mv=None, lease_ms=500),
        device.limits(0, 60, []),
        device.capture(3, 10_000, 100),
        device.clear(),
    ]
    for request, name in zip(asked, ("drive", "limits", "capture", "clear"), strict=True):
        with pytest.raises(NotFittedError, match=f"4001: {name}: a board that only prints lines cannot be told to do"):
            await request


async def test_closing_it_ends_its_events() -> None:
    line = Printed(pieces(WHOLE))
    device = board(line)
    await device.start()
    await device.close()
    await device.close()
    assert line.closed
    assert isinstance((await all_of(device))[-1], Block)  # what was read already, and no further line


# Addresses.


@pytest.mark.parametrize(
    ("address", "why"),
    [
        ("text:///dev/ttyACM0?bad=1", "unknown option 'bad'; expected: baud, header"),
        ("text:///dev/ttyACM0?baud=fast", "baud=fast: expected a whole number such as 115200"),
        ("text:///dev/ttyACM0?baud=0", "baud=0: expected a whole number"),
        ("text:///dev/ttyACM0?header=time[s],pressure[at]", r"header=time\[s\],.*: column pressure \[at\]: expected"),
        ("text://dev/ttyACM0", "expected text:///dev/NAME, three slashes, or text://HOST:PORT"),
        ("text://bench:x", "expected text:///dev/NAME"),
        ("text://bench:99999", "expected"),
    ],
)
async def test_addresses_that_make_no_sense(address: str, why: str) -> None:
    with pytest.raises(AddressError, match=why):
        await open_device(address)


async def test_a_port_that_is_not_there() -> None:
    with pytest.raises(PortError, match="serial port /dev/no-such-port: there is no such device"):
        await open_device("text:///dev/no-such-port")


# Real lines.


@asynccontextmanager
async def printing(put: "asyncio.StreamWriter | int", data: bytes) -> AsyncIterator[None]:
    """Prints it over and over, a little at a time, while the block lasts."""

    async def go_on() -> None:
        for piece in pieces(data, 300):
            if isinstance(put, int):
                os.write(put, piece)
            else:
                put.write(piece)
            await asyncio.sleep(0.001)

    task = asyncio.create_task(go_on())
    try:
        yield
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)


async def first_blocks(device: Device, number: int) -> list[Event]:
    found: list[Event] = []
    async with aclosing(device.events()) as events:  # type: ignore[type-var]
        async for event in events:
            found.append(event)
            if len(blocks(found)) >= number:
                break
    return found


async def test_on_a_pseudo_terminal() -> None:
    near, far = os.openpty()
    tty.setraw(far)
    try:
        async with printing(near, text(lines(40), HEADER, lines(2000))):
            device = await open_device(f"text://{os.ttyname(far)}?baud=57600")
            assert isinstance(device, TextLinesDevice)
            events = await first_blocks(device, 20)
        assert device.identity.sample_hz == 100
        assert not device.virtual
        assert list(comparable(blocks(events))) == list(comparable(blocks(decoded(WHOLE)[1])[:20]))
        await device.close()
    finally:
        os.close(near)
        os.close(far)


async def test_over_tcp_and_opened_anew_when_the_line_was_lost() -> None:
    async def serve(_: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        writers.append(writer)
        async with printing(writer, WHOLE):
            await asyncio.sleep(0.15)
        writer.close()

    writers: list[asyncio.StreamWriter] = []
    server = await asyncio.start_server(serve, "127.0.0.1", 0)
    port = server.sockets[0].getsockname()[1]
    address = Address.parse(f"text://127.0.0.1:{port}")
    device = Reconnecting(lambda: open_device(address.text), address, sleep=lambda _: asyncio.sleep(0))
    links: list[Link] = []
    async for event in device.events():
        if isinstance(event, LinkChange):
            links.append(event.link)
        if links.count(Link.UP) == 2 and isinstance(event, Block):
            break
    assert links == [Link.UP, Link.DOWN, Link.UP]
    assert device.counts.scans >= 200
    await device.close()
    server.close()
    for writer in writers:
        writer.close()
        await asyncio.gather(writer.wait_closed(), return_exceptions=True)


# Recordings.


async def recorded(device: TextLinesDevice, path: Path, begin: int) -> list[Event]:
    """Records from behind so many events; gives those that came after."""
    writer, after = None, list[Event]()
    number = 0

    def start() -> RecordingWriter:
        made = RecordingWriter(path, json.loads(json.dumps(device.recording_header())))
        device.tap = made.wire
        return made

    if begin == 0:
        writer = start()
    async for event in device.events():
        number += 1
        if writer is not None:
            after.append(event)
            if isinstance(event, LinkChange):
                writer.link(event)
        elif number == begin:
            writer = start()
    if writer is not None:
        writer.close({})
    return after


async def replayed(path: Path) -> tuple[ReplayDevice, list[Event]]:
    device = ReplayDevice(Address.parse(f"replay://{path}"), path)
    return device, await all_of(device)


STREAM = text(
    *(lines(30), HEADER, lines(93), "garbage\n", lines(70, first=96), "# a remark\r\n", "x" * 1200),
    *("1, 2\r\n", HEADER, lines(90, begin=0.3), "time [s], pressure [bar]\r\n", plain(np.arange(80) / 50, "4.0")),
)


@pytest.mark.parametrize(("header", "size", "every"), [(False, 170, 1), (False, 4000, 3), (True, 170, 5)])
async def test_a_replay_gives_the_same_events_wherever_the_recording_began(
    tmp_path: Path, header: bool, size: int, every: int
) -> None:
    given = "time [s], pressure [kPa], voltage [V], current [A], temperature [degC], edges, last_edge_us"

    async def fresh() -> TextLinesDevice:
        device = board(Printed(pieces(STREAM, size)), given if header else "")
        await device.start()
        return device

    total = len(await all_of(await fresh()))
    assert total > 40
    for begin in range(0, total, every):
        path = tmp_path / f"{header}-{begin}.rec"
        after = await recorded(await fresh(), path, begin)
        replay, again = await replayed(path)
        # A recording that was begun before the first event has the line's being opened as a note, behind what the
        # header holds; where it stands among the events is no part of what was measured.
        told = [e for e in after if not isinstance(e, LinkChange)]
        assert list(comparable(e for e in again if not isinstance(e, LinkChange))) == list(comparable(told))
        assert replay.simulated


async def test_a_replay_knows_the_board_at_once_and_counts_as_it_did(tmp_path: Path) -> None:
    device = await opened(STREAM, 170)
    before = device.counts.copy()
    await recorded(device, tmp_path / "a.rec", 0)
    replay = ReplayDevice(ADDRESS, tmp_path / "a.rec")
    assert replay.identity.boot == 0
    assert replay.identity.device_id == "bench.invalid:4001"
    first = replay.counts.copy()
    events = await all_of(replay)
    assert replay.counts.since(first) == device.counts.since(before)
    assert (replay.counts.resets, replay.identity.boot) == (2, 2)
    assert sum(isinstance(e, DeviceReset) for e in events) == 2
    assert sum(isinstance(e, Identity) for e in events) == 1


@pytest.mark.parametrize(
    ("key", "value"),
    [("state", {}), ("since", "xyz"), ("told", "x"), ("given", "time [s], pressure [at]"), ("since", "")],
)
async def test_a_recording_whose_header_makes_no_sense(tmp_path: Path, key: str, value: object) -> None:
    device = await opened(WHOLE)
    header = device.recording_header()
    body = header["text_lines"]
    assert isinstance(body, dict)
    body[key] = value
    RecordingWriter(tmp_path / "a.rec", header).close({})
    with pytest.raises(RecordingError, match=r"a.rec, header, text_lines: expected what recording_header\(\) gave"):
        ReplayDevice(ADDRESS, tmp_path / "a.rec")
