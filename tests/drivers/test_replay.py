"""A replay gives what the live device gave."""

import tracemalloc
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest

from drivers.block import Block, Capture, DeviceReset, Event, Identity, Link, LinkChange, Replayed
from drivers.device import Address, AddressError, Device, NotFittedError
from drivers.reconnect import Reconnecting
from drivers.recording import RecordingError, RecordingWriter
from drivers.replay import ReplayDevice, open_replay
from drivers.stand_link import StandLinkDevice
from tests.drivers.stand import Stand

ADDRESS = Address.parse("sim://marrow-hill/bench-1")


def same(a: Event, b: Event) -> bool:
    if isinstance(a, Capture) and isinstance(b, Capture):
        names = ("role", "rate_hz", "tick", "counts", "overrange")
        return all(getattr(a, n) == getattr(b, n) for n in names)
    if not isinstance(a, Block) or not isinstance(b, Block):
        return a == b
    plain = ("boot", "tick", "index", "missing", "displaced", "overrange")
    arrays = ("values", "edges", "last_edge")
    return all(getattr(a, n) == getattr(b, n) for n in plain) and all(
        np.array_equal(getattr(a, n), getattr(b, n)) for n in arrays
    )


def assert_same(replayed: Sequence[Event], live: Sequence[Event]) -> None:
    assert [type(e).__name__ for e in replayed] == [type(e).__name__ for e in live]
    for number, (a, b) in enumerate(zip(replayed, live, strict=True)):
        assert same(a, b), f"event {number}: {a} is not {b}"


async def started(stand: Stand) -> StandLinkDevice:
    device = StandLinkDevice(stand, ADDRESS, stand.now, virtual=True)
    await device.start()
    return device


async def record(device: StandLinkDevice, path: Path, *, skip: int, blocks: int) -> list[Event]:
    """Reads `skip` events, then records until so many Blocks have come; gives the events of that time."""
    events = device.events()
    for _ in range(skip):
        await anext(events)
    writer = RecordingWriter(path, device.recording_header())
    device.tap = writer.wire
    live: list[Event] = []
    async for event in events:
        live.append(event)
        if isinstance(event, LinkChange):
            writer.link(event)
        if sum(isinstance(e, Block) for e in live) == blocks:
            break
    await events.aclose()  # type: ignore[attr-defined]
    writer.note("confirm", {"what": "in_fluid"})
    live.append(Replayed("confirm", {"what": "in_fluid"}))
    writer.close({})
    return live


async def replayed(path: Path) -> tuple[ReplayDevice, list[Event]]:
    device = await open_replay(Address.parse(f"replay://{path}"))
    return device, [event async for event in device.events()]


FAULTS = {
    "none": {},
    "lost frames": {40: "lose", 50: "flip", 60: "double"},
    "reset": {70: "reset"},
    "silence": dict.fromkeys(range(50, 90), "silent"),
}


@pytest.mark.parametrize("fault", FAULTS)
@pytest.mark.parametrize("skip", [0, 1, 2, 3, 30])
async def test_replay_gives_the_events_of_the_live_device(tmp_path: Path, fault: str, skip: int) -> None:
    # Ticks wrap some blocks before the recording begins, and again never: only the resumed count can know of it.
    stand = Stand(start_tick=2**32 - 400_000, faults=FAULTS[fault])
    device = await started(stand)
    live = await record(device, tmp_path / "run.rec", skip=skip, blocks=120)
    replay, events = await replayed(tmp_path / "run.rec")
    assert_same(events, live)
    assert replay.identity == device.identity
    assert any(isinstance(event, DeviceReset) for event in events) == (fault == "reset")
    blocks = [event for event in events if isinstance(event, Block)]
    assert (blocks[0].tick > 2**32) == (skip == 30)


async def test_a_second_answer_to_a_repeated_question_is_no_reset(tmp_path: Path) -> None:
    """A slow host asks again before the first answer has come, and is answered twice."""
    stand = Stand()
    device = await started(stand)
    device._line.session.identify(stand.now())  # asked once more: the answer comes into the stream
    await device._line.flush()
    live = await record(device, tmp_path / "run", skip=0, blocks=8)
    identities = [e for e in live if isinstance(e, Identity)]
    assert len(identities) == 2
    assert not any(isinstance(e, DeviceReset) for e in live)
    _, events = await replayed(tmp_path / "run")
    assert [type(e) for e in events if isinstance(e, Identity | DeviceReset)] == [Identity, Identity]
    assert sum(isinstance(e, Block) for e in events) == 8


@pytest.mark.parametrize("start_tick", [0, 2**32 - 400_000])
async def test_captures_come_again_where_they_stood(tmp_path: Path, start_tick: int) -> None:
    stand = Stand(start_tick=start_tick)
    device = await started(stand)
    path = tmp_path / "run.rec"
    events = device.events()
    for _ in range(30):
        await anext(events)
    writer = RecordingWriter(path, device.recording_header())
    device.tap = writer.wire
    live: list[Event] = []
    for total in (250, 90):
        await device.capture(9, 20_000, total)
        live += [await anext(events) for _ in range(20)]
    await events.aclose()  # type: ignore[attr-defined]
    writer.close({})
    _, again = await replayed(path)
    assert_same(again[: len(live)], live)
    captures = [event for event in live if isinstance(event, Capture)]
    assert [len(capture.counts) for capture in captures] == [250, 90]
    blocks = [event for event in live if isinstance(event, Block)]
    assert all(abs(capture.tick - blocks[0].tick) < 2**31 for capture in captures)


async def test_replay_over_a_reconnection(tmp_path: Path) -> None:
    first, second = Stand(faults={40: "unplug"}), Stand(boot=8)
    stands = iter((first, second))

    async def opener() -> Device:
        return await started(next(stands))

    async def no_sleep(_seconds: float) -> None:
        return None

    device = Reconnecting(opener, ADDRESS, no_sleep)
    live: list[Event] = []
    writer: RecordingWriter | None = None
    async for event in device.events():
        live.append(event)
        if writer is None and isinstance(event, LinkChange):
            header = device.recording_header()
            assert header is not None
            writer = RecordingWriter(tmp_path / "run.rec", header)
            device.tap = writer.wire
        if writer is not None and isinstance(event, LinkChange):
            writer.link(event)
        if sum(isinstance(e, Block) for e in live) == 80:
            await device.close()
            break
    assert writer is not None
    writer.close({})
    _, events = await replayed(tmp_path / "run.rec")
    assert_same(events[: len(live)], live)
    names = [type(event).__name__ for event in events]
    at = names.index("DeviceReset")
    assert names[at - 2 : at + 2] == ["LinkChange", "LinkChange", "DeviceReset", "Identity"]


async def test_the_tap_of_a_replay_has_its_wire_bytes(tmp_path: Path) -> None:
    device = await started(Stand())
    await record(device, tmp_path / "run.rec", skip=2, blocks=10)
    replay = await open_replay(Address.parse(f"replay://{tmp_path}/run.rec"))
    wires: list[bytes] = []
    replay.tap = wires.append
    assert replay.recording_header() is None
    assert [event async for event in replay.events() if isinstance(event, Block)]
    assert len(wires) >= 10
    assert all(wire[-1] == 0 for wire in wires)


async def test_a_recording_cut_short_ends_with_down(tmp_path: Path) -> None:
    device = await started(Stand())
    live = await record(device, tmp_path / "run.rec", skip=2, blocks=30)
    path = tmp_path / "run.rec"
    path.write_bytes(path.read_bytes()[:-300])
    _, events = await replayed(path)
    last = events.pop()
    assert isinstance(last, LinkChange)
    assert last.link is Link.DOWN
    assert "cut short at byte" in last.reason
    assert_same(events, live[: len(events)])


async def test_an_entry_with_a_piece_in_each_second_byte_takes_no_more_room_than_some_times_itself(
    tmp_path: Path,
) -> None:
    path, size = tmp_path / "run.rec", 100_000
    stand = Stand()
    device = await started(stand)
    writer = RecordingWriter(path, device.recording_header())
    writer.wire(b"A\0" * (size // 2))
    writer.close({})
    replay = await open_replay(Address(f"replay://{path}", "replay", str(path)))
    tracemalloc.start()
    assert [event async for event in replay.events()] == []
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert replay.counts.bad == size // 2 - 1  # the first may be the rest of a frame
    assert peak < 20 * size


async def test_nothing_can_be_asked_of_a_recording(tmp_path: Path) -> None:
    device = await started(Stand())
    await record(device, tmp_path / "run.rec", skip=2, blocks=3)
    replay: Device = await open_replay(Address.parse(f"replay://{tmp_path}/run.rec"))
    assert replay.simulated
    assert replay.virtual
    with pytest.raises(NotFittedError, match="drive"):
        await replay.drive(power=True, valve=None, supply_mv=None, lease_ms=1)
    with pytest.raises(NotFittedError, match="limits"):
        await replay.limits(0, 0, [])
    with pytest.raises(NotFittedError, match="capture"):
        await replay.capture(9, 1, 1)
    with pytest.raises(NotFittedError, match="clear"):
        await replay.clear()
    await replay.close()
    assert [event async for event in replay.events()] == []


@pytest.mark.parametrize(
    ("header", "message"),
    [
        ({}, "identity_frame: expected the bytes of a frame in hex"),
        ({"identity_frame": "zz"}, "identity_frame: expected the bytes of a frame in hex"),
        ({"identity_frame": "0241 03f2 2300"}, "identity_frame: expected one IDENTITY frame"),
    ],
)
async def test_a_header_without_the_identity_is_refused(
    tmp_path: Path, header: dict[str, object], message: str
) -> None:
    RecordingWriter(tmp_path / "run.rec", header).close({})
    with pytest.raises(RecordingError, match=message):
        await open_replay(Address.parse(f"replay://{tmp_path}/run.rec"))


async def test_a_resume_point_of_another_boot_is_refused(tmp_path: Path) -> None:
    device = await started(Stand())
    await record(device, tmp_path / "a.rec", skip=9, blocks=3)
    header = device.recording_header()
    point = header["resume"]
    assert isinstance(point, dict)
    RecordingWriter(tmp_path / "b.rec", header | {"resume": point | {"boot": 99}}).close({})
    with pytest.raises(RecordingError, match="resume: expected"):
        await open_replay(Address.parse(f"replay://{tmp_path}/b.rec"))


@pytest.mark.parametrize("text", ["replay://", "replay:///x.rec?speed=2"])
async def test_addresses_that_make_no_sense(text: str) -> None:
    with pytest.raises(AddressError, match="expected replay:///PATH"):
        await open_replay(Address.parse(text))
