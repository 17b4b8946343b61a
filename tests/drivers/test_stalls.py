"""A host that stands still for seconds finds the deadline passed and the bytes there: the bytes count."""

import asyncio
from collections.abc import AsyncIterator, Callable, Coroutine
from contextlib import asynccontextmanager
from typing import Any

import pytest

from drivers.block import Block, DeviceReset, Event, Link, LinkChange
from drivers.device import Address, DeviceSilentError
from drivers.stand_link import StandLinkDevice
from drivers.text_lines import TextLinesDevice
from tests.drivers.printed import HEADER, lines
from tests.drivers.stalls import Peer, StallingLoop, WaitingLine, run
from tests.drivers.stand import STEP, N, Stand

LONGEST_S = 10.0
STALLS = (1.2, 3.0, LONGEST_S)
BOARD_HZ = 50.0


def done(coroutine: Coroutine[Any, Any, Any]) -> Any:
    """What a coroutine gives that waits for nothing."""
    try:
        coroutine.send(None)
    except StopIteration as end:
        return end.value
    raise AssertionError("it waits")


class LinkPeer(Peer):
    """A stand that speaks the link, up to `ends` s."""

    def __init__(self, ends: float = 1e9) -> None:
        self.stand, self._ends = Stand(), ends

    def sent_by(self, now: float) -> bytes:
        out = b""
        while (self.stand.reads + 1) * STEP <= min(now, self._ends):
            out += done(self.stand.read()) or b""
        return out

    def hear(self, data: bytes) -> None:
        done(self.stand.write(data))


class BoardPeer(Peer):
    """A board that prints, up to `ends` s."""

    def __init__(self, ends: float = 1e9) -> None:
        self._ends, self._printed = ends, 0

    def sent_by(self, now: float) -> bytes:
        new = int(min(now, self._ends) * BOARD_HZ) - self._printed
        first, self._printed = self._printed, self._printed + new
        head = HEADER if first == 0 and new else ""
        return (head + "".join(lines(new, hz=BOARD_HZ, first=first))).encode()


Made = StandLinkDevice | TextLinesDevice


def link(loop: StallingLoop, fed: bool, ends: float = 1e9) -> StandLinkDevice:
    return StandLinkDevice(
        WaitingLine(loop, LinkPeer(ends), fed_by_loop=fed), Address.parse("tcp://stand.invalid:1"), loop.time
    )


def board(loop: StallingLoop, fed: bool, ends: float = 1e9) -> TextLinesDevice:
    return TextLinesDevice(
        WaitingLine(loop, BoardPeer(ends), fed_by_loop=fed), Address.parse("text://board.invalid:1"), loop.time
    )


KINDS: dict[str, Callable[..., Made]] = {"link": link, "board": board}
EACH = pytest.mark.parametrize("make", KINDS.values(), ids=KINDS)
FED = pytest.mark.parametrize("fed", [False, True], ids=["read from a port", "fed by the loop"])
STALLED = pytest.mark.parametrize("seconds", STALLS)


@asynccontextmanager
async def listening(device: Made) -> AsyncIterator[list[Event]]:
    """All events of a device while the block lasts."""
    heard: list[Event] = []

    async def listen() -> None:
        async for event in device.events():
            heard.append(event)

    task = asyncio.create_task(listen())
    try:
        yield heard
    finally:
        await device.close()
        await task


def gaps(heard: list[Event]) -> int:
    return sum(event.missing for event in heard if isinstance(event, Block))


def silences(heard: list[Event]) -> list[LinkChange]:
    return [event for event in heard if isinstance(event, LinkChange) and event.link is not Link.UP]


@EACH
@FED
@STALLED
def test_no_device_is_silent_whose_scans_wait(make: Callable[..., Made], fed: bool, seconds: float) -> None:
    """The host stands still again and again, at any moment between two blocks."""

    async def test(loop: StallingLoop) -> None:
        device = make(loop, fed)
        await device.start()
        async with listening(device) as heard:
            for k in range(12):
                await asyncio.sleep(0.5 + 0.0037 * k)
                loop.stall(seconds)
            await asyncio.sleep(0.5)
        assert silences(heard) == []
        assert [e for e in heard if isinstance(e, DeviceReset)] == []
        assert gaps(heard) == 0
        scans = sum(event.n for event in heard if isinstance(event, Block))
        hertz = N / STEP if make is link else BOARD_HZ
        assert scans >= (12 * seconds + 5.0) * hertz

    run(test)


@EACH
@FED
def test_one_that_is_silent_is_found_out_all_the_same(make: Callable[..., Made], fed: bool) -> None:
    async def test(loop: StallingLoop) -> None:
        device = make(loop, fed, ends=5.0)
        await device.start()
        async with listening(device) as heard:
            await asyncio.sleep(3.0)
            loop.stall(6.0)
            await asyncio.sleep(1.5)
        [silence] = silences(heard)
        assert silence.link is Link.SILENT
        assert heard[-1] is silence

    run(test)


@EACH
@FED
@STALLED
def test_a_device_that_answered_while_the_host_stood_still_is_opened(
    make: Callable[..., Made], fed: bool, seconds: float
) -> None:
    async def test(loop: StallingLoop) -> None:
        device = make(loop, fed)
        loop.call_later(0.02, loop.stall, seconds)
        await device.start(within=0.9)
        assert device.identity.sample_hz
        await device.close()

    run(test)


@FED
def test_nobody_there_is_nobody_there_after_a_stall(fed: bool) -> None:
    async def test(loop: StallingLoop) -> None:
        for make in KINDS.values():
            device = make(loop, fed, ends=0.0)
            loop.call_later(0.02, loop.stall, 3.0)
            with pytest.raises(DeviceSilentError):
                await device.start(within=0.9)
            await device.close()

    run(test)


REQUESTS: dict[str, Callable[[StandLinkDevice], Coroutine[Any, Any, Any]]] = {
    "clear": lambda device: device.clear(),
    "drive": lambda device: device.drive(power=False, valve=5000, supply_mv=None, lease_ms=0),
    "limits": lambda device: device.limits(300, 60, ()),
    "capture": lambda device: device.capture(1, 10_000, 400),
}


@FED
@STALLED
@pytest.mark.parametrize("ask", REQUESTS.values(), ids=REQUESTS)
def test_an_answer_that_waits_counts(
    ask: Callable[[StandLinkDevice], Coroutine[Any, Any, Any]], fed: bool, seconds: float
) -> None:
    """A reply, a STATUS or the pieces of a capture come while the host stands still for longer than it would wait."""

    async def test(loop: StallingLoop) -> None:
        device = link(loop, fed)
        await device.start()
        async with listening(device) as heard:
            for k in range(6):
                await asyncio.sleep(0.3)
                loop.call_later(0.005 + 0.011 * k, loop.stall, seconds)
                await ask(device)
        assert silences(heard) == []

    run(test)


@FED
def test_a_host_that_handles_an_event_for_long_finds_what_came_meanwhile(fed: bool) -> None:
    """Not the loop's wait is late but whoever takes the events."""

    async def test(loop: StallingLoop) -> None:
        for make in KINDS.values():
            device, heard = make(loop, fed), []
            await device.start()
            async for event in device.events():
                heard.append(event)
                if len(heard) % 7 == 0:
                    loop.stall(1.7)
                if len(heard) > 200:
                    break
            assert silences(heard) == []
            assert gaps(heard) == 0
            await device.close()

    run(test)
