"""The host's side of the link, driven by times that are just numbers."""

from dataclasses import replace
from typing import Any

import pytest

from drivers.block import Block, Capture, DeviceReset, Event, Feature, Identity, Input, Link, LinkChange, Status
from drivers.link import frames
from drivers.link.codec import encode
from drivers.link.deframer import Deframer
from drivers.link.frames import Frame, Layout
from drivers.link.session import COUNT_BROKEN, OTHERWISE, RESTARTED, Session
from tests.drivers.link import golden

LAYOUT = Layout(golden.ANALOG, golden.PULSE)


def _golden_identity() -> Identity:
    frame = Deframer().feed(golden.IDENTITY.wire)[0].frame
    assert isinstance(frame, Identity)
    return frame


IDENTITY = _golden_identity()
STATUS = Status(5, 0, False, False, True, False, False, 0xFFFF, 0, IDENTITY.inputs_fitted, 0, 0, 0, 0)  # type: ignore[arg-type]


class Peer:
    """A session with somebody at the other end who says what the test wants."""

    def __init__(self, *, identified: bool = True) -> None:
        self.session = Session(0.0)
        self.now = 0.0
        self.seq = 0
        self._up = Deframer()
        self._down = Deframer()
        if identified:
            self.session.identify(self.now)
            self.say(IDENTITY)
            self.heard()

    def say(self, *what: Frame, seq: int | None = None) -> list[Event]:
        events: list[Event] = []
        for frame in what:
            self.seq = self.seq if seq is None else seq
            for piece in self._up.feed(encode(self.seq, frame)):
                events += self.session.handle(piece, self.now)
            self.seq = (self.seq + 1) % 256
        return events

    def raw(self, wire: bytes) -> list[Event]:
        return [event for piece in self._up.feed(wire) for event in self.session.handle(piece, self.now)]

    def heard(self) -> list[tuple[int, Frame | None]]:
        return [(p.seq, p.frame) for p in self._down.feed(self.session.take_output()) if p.sound]

    def at(self, now: float) -> list[Event]:
        self.now = now
        return self.session.poll(now)


def scans(k: int, *, boot: int = 5, lost: int = 0) -> frames.Scans:
    index = 20 * (k + lost)
    return frames.Scans(boot, index * 2000, index, 20, 0, 0, b"\1\0" * 40, (k,), (index * 2000,))


def test_line_begins_with_a_zero_and_identify_with_seq_zero() -> None:
    session = Session(0.0)
    session.identify(0.0)
    assert session.take_output() == b"\0" + golden.IDENTIFY.wire


def test_identity_settles_identify_and_is_no_reset() -> None:
    peer = Peer(identified=False)
    request = peer.session.identify(0.0)
    assert peer.say(IDENTITY) == [IDENTITY]
    assert request.code == 0
    assert peer.session.identity_piece is not None
    assert peer.session.identity_piece.wire == golden.IDENTITY.wire


def test_a_boot_identity_and_the_answers_to_every_attempt_are_one_device() -> None:
    peer = Peer(identified=False)
    peer.session.identify(0.0)
    peer.at(0.26)
    assert [event for event in peer.say(IDENTITY, IDENTITY, IDENTITY) if isinstance(event, DeviceReset)] == []
    assert peer.session.counts.resets == 0


def test_a_request_is_sent_again_every_quarter_second_three_times_more() -> None:
    peer = Peer()
    request = peer.session.request(frames.Clear(), 10.0)
    times = [10.0]
    assert len(peer.heard()) == 1
    for step in range(1, 200):
        now = 10.0 + step * 0.01
        peer.at(now)
        times += [now] * len(peer.heard())
    assert times == pytest.approx([10.0, 10.25, 10.5, 10.75], abs=0.011)
    assert request.unanswered
    assert len(set(request.seqs)) == 4


@pytest.mark.parametrize("attempt", range(4))
def test_a_reply_to_any_attempt_settles_it(attempt: int) -> None:
    peer = Peer()
    request = peer.session.request(frames.Clear(), 10.0)
    for k in range(attempt + 1):
        peer.at(10.0 + 0.251 * k)
    (*_, (seq, frame)) = peer.heard()
    assert frame == frames.Clear()
    peer.say(frames.Reply(seq, 3))
    assert (request.code, request.settled) == (3, True)
    assert peer.session.deadline() is None


def test_a_reply_to_something_else_settles_nothing() -> None:
    peer = Peer()
    request = peer.session.request(frames.Clear(), 10.0)
    peer.say(frames.Reply((request.seqs[0] + 1) % 256, 0))
    assert not request.settled


def test_a_newer_drive_cancels_the_repeats_of_older_ones() -> None:
    peer = Peer()
    on, off = frames.Drive(True, 0, 0xFFFF, 500), frames.Drive(False, 0, 0xFFFF, 0)
    older = peer.session.request(on, 10.0)
    newer = peer.session.request(off, 10.1)
    for step in range(1, 200):
        peer.at(10.1 + step * 0.01)
    sent = [frame for _, frame in peer.heard()]
    assert sent == [on, off, off, off, off]
    assert older.unanswered
    assert newer.unanswered


def test_a_drive_that_renews_a_lease_is_sent_once() -> None:
    peer = Peer()
    request = peer.session.request(frames.Drive(True, 0, 0xFFFF, 500), 10.0, repeated=False)
    peer.at(10.2)
    assert not request.settled
    assert peer.at(10.3) == []
    assert request.unanswered
    assert len(peer.heard()) == 1


def test_no_answer_and_nothing_else_means_silent() -> None:
    peer = Peer()
    peer.now = 5.0
    peer.session.request(frames.Clear(), 10.0)
    events = [event for k in range(1, 15) for event in peer.at(10.0 + 0.1 * k)]
    assert [(e.link, e.reason) for e in events if isinstance(e, LinkChange)] == [
        (Link.SILENT, "no answer to CLEAR in 4 attempts")
    ]


def test_silence_while_streaming_is_told_once_and_its_end_too() -> None:
    peer = Peer()
    peer.session.stream(True, 0.0)
    peer.say(frames.Reply(1, 0), scans(0))
    assert peer.session.deadline() == pytest.approx(1.0)
    assert peer.at(0.99) == []
    (change,) = peer.at(1.0)
    assert isinstance(change, LinkChange)
    assert change.link is Link.SILENT
    assert peer.at(3.0) == []
    assert peer.session.deadline() is None
    back, block = peer.say(scans(1))
    assert isinstance(back, LinkChange)
    assert back.link is Link.UP
    assert isinstance(block, Block)


def test_bad_frames_do_not_keep_a_device_from_being_silent() -> None:
    peer = Peer()
    peer.session.stream(True, 0.0)
    peer.say(frames.Reply(1, 0))
    peer.now = 0.9
    peer.raw(b"\x05\x05\x05\x05\x05\0")
    assert peer.session.counts.bad == 1
    assert [e.link for e in peer.at(1.0) if isinstance(e, LinkChange)] == [Link.SILENT]


def test_lost_frames_and_lost_scans_are_counted_apart() -> None:
    peer = Peer()
    peer.say(scans(0))
    peer.seq += 2
    (block,) = peer.say(scans(1, lost=3))
    assert isinstance(block, Block)
    assert block.missing == 60
    counts = peer.session.counts
    assert (counts.frames, counts.lost, counts.scans, counts.scans_missing) == (3, 2, 40, 60)


def test_a_repeated_frame_is_counted_and_gives_no_event() -> None:
    peer = Peer()
    assert len(peer.say(scans(0), seq=7)) == 1
    assert peer.say(scans(0), seq=7) == []
    assert (peer.session.counts.repeated, peer.session.counts.lost) == (1, 6)


def test_unknown_types_and_frames_of_the_other_direction_are_counted() -> None:
    peer = Peer()
    peer.say(frames.Clear())
    assert peer.session.counts.unknown == 1


def test_an_answer_that_waited_while_the_host_stood_still_is_no_reset() -> None:
    peer = Peer(identified=False)
    peer.session.identify(0.0)
    peer.at(0.26)
    peer.say(IDENTITY)
    peer.now = 5.0  # the line was not looked at since
    assert peer.say(IDENTITY) == [IDENTITY]
    assert peer.session.counts.resets == 0


@pytest.mark.parametrize("how", ["same boot", "next boot"])
def test_an_identity_that_nobody_asked_for_is_a_reset(how: str) -> None:
    peer = Peer()
    peer.session.stream(True, 2.0)
    peer.now = 2.0
    peer.say(scans(0), scans(1))
    peer.at(2.9)  # nothing has come that nobody took
    peer.now = 20.0
    peer.heard()
    again = IDENTITY if how == "same boot" else replace(IDENTITY, boot=IDENTITY.boot + 1)
    peer.seq = 0
    assert peer.say(again) == [DeviceReset(again, RESTARTED), again]
    assert peer.session.counts.lost == 0
    assert [frame for _, frame in peer.heard()] == [frames.Stream(True)]
    (block,) = peer.say(scans(0, boot=again.boot & 0xFF))
    assert isinstance(block, Block)
    assert (block.boot, block.tick, block.missing) == (again.boot, 0, 0)


OTHERS: dict[str, Any] = {
    "sample_hz": IDENTITY.sample_hz + 1,
    "tick_hz": 16_000_000,
    "device_id": "ff" * 8,
    "firmware": "9.9.9",
    "features": IDENTITY.features ^ Feature.SIMULATED,
    "inputs_fitted": Input(0),
    "burst_max_hz": 1,
    "burst_max_total": 1,
    "analog": IDENTITY.analog[::-1],
    "pulse": (),
}


@pytest.mark.parametrize("asked", [True, False])
@pytest.mark.parametrize("boot", [IDENTITY.boot, IDENTITY.boot + 1])
@pytest.mark.parametrize("field", OTHERS)
def test_a_device_that_describes_itself_otherwise_is_asked_before_it_is_believed(
    field: str, boot: int, asked: bool
) -> None:
    """One frame may be damaged and have a right check sum. What the device then answers counts."""
    for answer in (IDENTITY, replace(IDENTITY, boot=boot, **{field: OTHERS[field]})):
        peer = Peer()
        peer.session.stream(True, 2.0)
        peer.now = 2.0
        peer.say(scans(0), scans(1))
        peer.at(2.9)
        if asked:
            peer.session.identify(2.9)
        peer.heard()
        assert peer.say(replace(IDENTITY, boot=boot, **{field: OTHERS[field]})) == [DeviceReset(None, OTHERWISE)]
        assert peer.session.identity == IDENTITY
        assert frames.Identify() in [frame for _, frame in peer.heard()]
        assert peer.say(answer) == [answer]
        assert peer.session.identity == answer


def test_frames_that_never_agree_are_a_reset_and_the_device_is_asked_again() -> None:
    """An answer at opening may be damaged too: its rate would make each frame contradict the one before."""
    peer = Peer(identified=False)
    peer.session.identify(0.0)
    peer.say(replace(IDENTITY, sample_hz=3 * IDENTITY.sample_hz))
    peer.heard()
    told = [event for k in range(22) for event in peer.say(scans(k)) if not isinstance(event, Block)]
    assert told == [DeviceReset(None, COUNT_BROKEN)]
    assert [frame for _, frame in peer.heard()] == [frames.Identify()]
    assert peer.say(IDENTITY) == [IDENTITY]
    assert all(isinstance(event, Block) for k in range(22, 60) for event in peer.say(scans(k)))


@pytest.mark.parametrize("first", [scans(0, boot=6), replace(STATUS, boot=6)])
def test_a_change_of_boot_is_a_reset_and_asks_who_it_is_now(first: Frame) -> None:
    peer = Peer()
    peer.say(scans(0), scans(1))
    pending = peer.session.request(frames.Clear(), 20.0)
    peer.now = 20.0
    peer.heard()
    assert peer.say(first) == [DeviceReset(None, RESTARTED)]
    assert pending.unanswered
    assert [frame for _, frame in peer.heard()] == [frames.Identify()]
    assert peer.say(scans(1, boot=6)) == []
    now = replace(IDENTITY, boot=6)
    assert peer.say(now) == [now]
    (block,) = peer.say(scans(2, boot=6))
    assert isinstance(block, Block)
    assert block.missing == 0
    assert peer.session.counts.resets == 1


def test_an_identify_that_got_lost_after_a_reset_is_asked_again() -> None:
    peer = Peer()
    peer.say(scans(0, boot=6))
    for k in range(1, 8):
        peer.at(0.3 * k)
    peer.heard()
    peer.say(replace(STATUS, boot=6))
    assert [frame for _, frame in peer.heard()] == [frames.Identify()]


def test_scan_numbers_that_run_backwards_are_a_reset() -> None:
    peer = Peer()
    peer.say(scans(5))
    assert peer.say(scans(1)) == []
    assert peer.session.counts.bad == 1
    assert peer.say(scans(2)) == [DeviceReset(None, COUNT_BROKEN)]


def test_a_stream_that_is_off_although_wanted_is_switched_on_again() -> None:
    peer = Peer()
    peer.session.stream(True, 0.0)
    peer.say(frames.Reply(1, 0))
    peer.heard()
    peer.say(replace(STATUS, streaming=False))
    assert [frame for _, frame in peer.heard()] == [frames.Stream(True)]
    peer.say(replace(STATUS, streaming=False, tick=9))
    assert peer.heard() == []


def test_status_is_told_with_whole_boot_and_unwrapped_tick() -> None:
    peer = Peer()
    peer.say(frames.Scans(5, 2**32 - 1000, 0, 20, 0, 0, b"\1\0" * 40, (0,), (0,)))
    (status,) = peer.say(replace(STATUS, tick=38_000))
    assert isinstance(status, Status)
    assert (status.boot, status.tick) == (IDENTITY.boot, 2**32 + 38_000)


def test_more_than_half_a_wrap_of_silence_leaves_a_hole() -> None:
    peer = Peer()
    peer.say(scans(0))
    peer.now = 2**31 / 1e6 + 1
    (block,) = peer.say(scans(1))
    assert isinstance(block, Block)
    assert block.missing == 1


def test_scans_before_any_identity_are_heard_but_give_nothing() -> None:
    peer = Peer(identified=False)
    assert peer.say(scans(0)) == []
    assert peer.session.counts.frames == 1
    assert peer.session.counts.bad == 0


def test_going_on_behind_a_block_of_another_boot_is_refused() -> None:
    peer = Peer()
    (block,) = peer.say(scans(0))
    assert isinstance(block, Block)
    with pytest.raises(ValueError, match="boot 99, expected one of boot 261"):
        peer.session.continue_after(replace(block, boot=99))


def burst(first: int, tick: int = 1000) -> frames.Burst:
    return frames.Burst(1, 9, 20_000, tick, 150, first, False, tuple(range(first, min(first + 100, 150))))


def test_a_capture_is_told_where_its_last_piece_came() -> None:
    peer = Peer()
    assert peer.say(burst(0)) == []
    (capture,) = peer.say(burst(100))
    assert isinstance(capture, Capture)
    assert capture.counts == list(range(150))
    assert peer.say(burst(0), burst(100)) == []


def test_a_capture_of_a_boot_that_nobody_has_described_is_none() -> None:
    assert Peer(identified=False).say(burst(0), burst(100)) == []
    peer = Peer()
    peer.say(burst(0))
    peer.say(replace(IDENTITY, boot=IDENTITY.boot + 1), seq=0)
    assert peer.say(burst(100)) == []
