"""CAPTURE and BURST (sections 4 and 5): pieces, rate and time of a capture, and the scans whose place it takes."""

from dataclasses import replace
from itertools import pairwise
from math import inf

import pytest

from drivers.block import Input, Role, Status, Trip
from drivers.device import LimitEntry
from drivers.link.frames import Burst, CaptureRequest, Limits, Scans, Stream
from tests.firmware.host import NO_LIMITS, ON, Host

COUNTS_OFF = 2


def role_of(host: Host) -> int:
    """The channel that a device captures best: the wide-band shunt where there is one."""
    roles = {a.role for a in host.identity.analog}
    return Role.SHUNT_WIDE if Role.SHUNT_WIDE in roles else Role.SHUNT


def request(host: Host, number: int = 1, rate: int = 5_000, total: int = 300) -> CaptureRequest:
    """A capture that the device says it can do."""
    said = host.identity
    return CaptureRequest(number, role_of(host), min(rate, said.burst_max_hz), min(total, said.burst_max_total))


def pieces(host: Host, capture: CaptureRequest) -> list[Burst]:
    """All that came of a capture, once it is complete."""
    for _ in range(2500):
        host.scan()
        found = [piece for piece in host.of(Burst) if piece.capture == capture.capture]
        if sum(len(piece.counts) for piece in found) >= capture.total:
            return found
    raise AssertionError(f"after 5 s {sum(len(p.counts) for p in host.of(Burst))} samples of {capture.total} had come")


# "Answered by REPLY, then by BURST frames": every sample once and in order, all pieces telling the same capture.
@pytest.mark.parametrize("total", [1, 99, 300])
def test_a_capture_comes_whole(host: Host, total: int) -> None:
    capture = request(host, 7, total=total)
    k = host.channel(capture.role)
    host.volts[k] = 2.5
    assert host.answer(capture) == 0
    found = pieces(host, capture)
    at = 0
    for piece in found:
        assert (piece.capture, piece.role, piece.total, piece.first) == (7, capture.role, capture.total, at)
        assert (piece.rate_hz, piece.tick) == (found[0].rate_hz, found[0].tick)
        assert len(piece.counts) >= 1
        at += len(piece.counts)
    assert at == capture.total
    a = host.identity.analog[k]
    expected = 2.5 / a.volts_per_count + a.zero_count
    # the first sample may have been begun before the level was set
    assert [c for piece in found for c in piece.counts][1:] == pytest.approx([expected] * (at - 1), abs=COUNTS_OFF)
    assert not any(piece.overrange for piece in found)


# "samples a second, as really taken": between two steps of the level, 80 ms apart, lie so many samples of it.
@pytest.mark.parametrize("rate", [1_000, 3_000, 5_000])
def test_the_rate_is_the_one_really_taken(host: Host, rate: int) -> None:
    capture = request(host, 1, rate, total=rate // 8)
    k = host.channel(capture.role)
    assert host.answer(capture) == 0
    for level, scans in ((1.0, 10), (3.0, 40), (1.0, 15)):
        host.volts[k] = level
        for _ in range(scans):
            host.scan()
    found = pieces(host, capture)
    a = host.identity.analog[k]
    middle = 2.0 / a.volts_per_count + a.zero_count
    high = [j for j, c in enumerate(c for piece in found for c in piece.counts) if c > middle]
    assert high == list(range(high[0], high[-1] + 1))
    assert len(high) / found[0].rate_hz == pytest.approx(0.08, abs=1.01 / found[0].rate_hz)
    assert found[0].rate_hz == pytest.approx(capture.rate_hz, rel=0.05)


# "tick of sample 0 of the capture": it lies between the request and its first samples.
def test_the_tick_of_a_capture_is_that_of_its_first_sample(host: Host) -> None:
    assert host.answer(Stream(True)) == 0
    host.run(0.1)
    before = host.of(Scans)[-1]
    capture = request(host)
    assert host.answer(capture) == 0
    found = pieces(host, capture)
    host.run(0.1)
    after = host.of(Scans)[-1]
    assert before.tick < found[0].tick < after.tick


# "If the capture takes the place of scans, these are missing by index, and the next SCANS says so with both flag bits."
# So index and tick go on together; flags stand where the index jumps, and nowhere else.
@pytest.mark.parametrize(("rate", "total"), [(5_000, 400), (10_000, 4_000), (1_000_000, 65_535)])
def test_scans_that_a_capture_displaced_are_missing_by_index(host: Host, rate: int, total: int) -> None:
    assert host.answer(Stream(True)) == 0
    host.run(0.2)
    capture = request(host, 1, rate, total)
    assert host.answer(capture) == 0
    rate = pieces(host, capture)[0].rate_hz
    host.run(0.4)
    blocks = host.of(Scans)
    scan = host.identity.tick_hz / host.identity.sample_hz
    assert blocks[0].flags == 0
    for before, block in pairwise(blocks):
        missing = block.index - before.index - before.n
        assert missing >= 0
        assert block.flags == (3 if missing else 0)
        assert block.tick - before.tick == pytest.approx((block.index - before.index) * scan, abs=2)
    # only those are missing in whose time samples were taken: none, or about as many as fit into it
    lost = blocks[-1].index - blocks[0].index - sum(block.n for block in blocks[:-1])
    assert lost <= capture.total / rate * host.identity.sample_hz + 3


# "index … stands still while the stream is off": a capture displaces nothing then.
def test_a_capture_without_a_stream_displaces_nothing(host: Host) -> None:
    capture = request(host)
    assert host.answer(capture) == 0
    pieces(host, capture)
    assert host.answer(Stream(True)) == 0
    host.run(0.1)
    assert (host.of(Scans)[0].index, host.of(Scans)[0].flags) == (0, 0)


# "While one is under way, its own number once more is answered 0 and changes nothing, and any other number is answered
# 5." STATUS says so in bit 4. Afterwards any number starts another.
def test_one_capture_at_a_time(host: Host) -> None:
    capture, other = request(host, 7), request(host, 8, total=20)
    assert host.answer(capture) == 0
    assert host.answer(capture) == 0
    assert host.answer(other) == 5
    found = pieces(host, capture)
    assert sum(len(piece.counts) for piece in found) == capture.total
    assert any(status.capturing for status in host.of(Status))
    assert not host.status().capturing
    assert host.of(Burst) == found  # nothing came twice
    assert host.answer(other) == 0
    assert sum(len(piece.counts) for piece in pieces(host, other)) == 20


# … its own number is looked at, not what else it asks for.
def test_its_own_number_with_other_wishes_changes_nothing(host: Host) -> None:
    capture = request(host, 7)
    assert host.answer(capture) == 0
    assert host.answer(request(host, 7, rate=1_000, total=10)) == 0
    found = pieces(host, capture)
    assert {piece.total for piece in found} == {capture.total}


# "2: wrong length, or a value out of its range"; "4: not fitted".
def test_captures_that_cannot_be(host: Host) -> None:
    said, role = host.identity, role_of(host)
    assert host.answer(CaptureRequest(1, role, 0, 100)) == 2
    assert host.answer(CaptureRequest(1, role, said.burst_max_hz + 1, 100)) == 2
    assert host.answer(CaptureRequest(1, role, 1_000, 0)) == 2
    assert host.answer(CaptureRequest(1, role, 1_000, said.burst_max_total + 1)) == 2
    absent = next(r for r in Role if r not in {a.role for a in said.analog})
    assert host.answer(CaptureRequest(1, absent, 1_000, 100)) == 4
    host.run(0.2)
    assert not host.of(Burst)
    assert not host.status().capturing


# "burst_max_hz: fastest capture": what IDENTITY promises is kept.
def test_the_fastest_capture(host: Host) -> None:
    said = host.identity
    capture = request(host, 3, rate=said.burst_max_hz, total=400)
    assert host.answer(capture) == 0
    found = pieces(host, capture)
    assert sum(len(piece.counts) for piece in found) == capture.total
    assert found[0].rate_hz == pytest.approx(said.burst_max_hz, rel=0.05)


# "bit 0: a sample met an end of the converter" — in the piece or in the capture, but not without one.
def test_an_end_of_the_converter_is_told(host: Host) -> None:
    capture = request(host)
    host.set(capture.role, 6.0)
    host.run(0.01)
    assert host.answer(capture) == 0
    assert all(piece.overrange for piece in pieces(host, capture))


# "What was being measured is lost" at a reset.
def test_a_reset_ends_a_capture(host: Host) -> None:
    assert host.answer(request(host)) == 0
    host.run(0.01)
    host.reset()
    host.run(0.2)
    assert not host.of(Burst)
    assert not host.status().capturing


# A capture takes the place of scans, not that of the watch: "the device switches it off by itself … once the lease is
# over", and an input that opens trips.
def test_the_lease_ends_during_a_capture(host: Host) -> None:
    assert host.answer(NO_LIMITS) == 0
    capture = request(host, rate=1_000, total=300)
    assert host.answer(replace(ON, lease_ms=100)) == 0
    earliest, latest = host.asked + 100_000, host.answered + 100_000 + host.span_us
    assert host.answer(capture) == 0
    assert earliest <= host.until_off(0.3) <= latest
    assert host.trip() == Trip.LEASE
    pieces(host, capture)


def test_the_stop_circuit_opens_during_a_capture(host: Host) -> None:
    assert host.answer(NO_LIMITS) == 0
    assert host.answer(ON) == 0
    capture = request(host, rate=1_000, total=300)
    assert host.answer(capture) == 0
    host.run(0.05)
    host.open(Input.STOP_CIRCUIT)
    began = host.us
    assert host.until_off(0.1) <= began + host.span_us + 10_000
    assert host.trip() == Trip.STOP_CIRCUIT
    pieces(host, capture)


# … nor does the capture switch anything off by itself, however long it takes.
def test_a_long_capture_leaves_power_on(host: Host) -> None:
    assert host.answer(NO_LIMITS) == 0
    assert host.answer(ON) == 0
    capture = request(host, rate=2_000, total=500)
    assert host.answer(capture) == 0
    pieces(host, capture)
    assert host.power
    assert host.trip() == Trip.NONE


# "The device takes the median of each three scans": whether scans are taken beside a capture is the device's business,
# but once it is over a limit that is passed trips within three scans and 10 ms.
@pytest.mark.parametrize("role", [Role.PRESSURE, Role.SHUNT])
def test_a_limit_passed_during_a_capture_trips_after_it_at_the_latest(host: Host, role: int) -> None:
    assert host.answer(Limits(0, 0, (LimitEntry(host.channel(role), 2.0, -inf),))) == 0
    assert host.answer(ON) == 0
    capture = request(host, rate=2_000, total=200)
    assert host.answer(capture) == 0
    ends = host.answered + round(200 / 2_000 * 1e6)
    host.run(0.03)
    assert host.power
    host.set(role, 3.0)
    assert host.until_off(0.3) <= ends + 3 * host.span_us + 10_000
    assert host.trip() == (Trip.OVER_PRESSURE if role == Role.PRESSURE else Trip.OVER_CURRENT)
    pieces(host, capture)
