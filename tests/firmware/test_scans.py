"""SCANS and STREAM (sections 4 and 5): every scan once, in its place, at its time, with the levels that were there."""

import struct
from itertools import pairwise

import pytest

from drivers.block import Role
from drivers.link.frames import Scans, Stream
from tests.firmware.host import Host, wire

COUNTS_OFF = 2
"""How far a converter of 10 bits may be off: one count of its own, one of rounding."""


def scans(host: Host, seconds: float) -> list[Scans]:
    """What is streamed in so many seconds from now on."""
    assert host.answer(Stream(True)) == 0
    host.run(seconds)
    return host.of(Scans)


def counts(host: Host, blocks: list[Scans], channel: int) -> list[int]:
    """The counts of a channel, scan by scan."""
    n = len(host.identity.analog)
    return [c for block in blocks for c in struct.unpack(f"<{block.n * n}h", block.counts)[channel::n]]


def ticks_of(host: Host, n: int) -> int:
    """n scans in ticks: "tick + round(k × tick_hz ÷ sample_hz)"."""
    return round(n * host.identity.tick_hz / host.identity.sample_hz)


# "Consecutive scans, at least one and at most 50 ms worth"; "number of the first scan since boot", so 0 to begin with.
def test_scans_are_contiguous_and_of_at_most_50_ms(host: Host) -> None:
    blocks = scans(host, 0.6)
    assert blocks[0].index == 0
    assert blocks[0].boot == host.identity.boot & 0xFF
    for before, block in pairwise(blocks):
        assert block.index == before.index + before.n
        assert block.tick == (before.tick + ticks_of(host, before.n)) & 0xFFFF_FFFF
    assert all(1 <= block.n <= 0.05 * host.identity.sample_hz for block in blocks)
    assert not any(block.flags or block.overrange for block in blocks)
    # all scans of 0.6 s but for the block that is still being filled and the one on the line
    assert sum(block.n for block in blocks) == pytest.approx(0.6 * host.identity.sample_hz, abs=52)


# "number of the first scan since boot; stands still while the stream is off"; no scan was missed meanwhile: no flag.
def test_the_index_stands_while_the_stream_is_off(host: Host) -> None:
    scans(host, 0.3)
    assert host.answer(Stream(False)) == 0
    host.run(0.05)
    before = host.of(Scans)[-1]
    many = len(host.of(Scans))
    host.run(0.2)
    assert len(host.of(Scans)) == many
    began = host.us
    after = scans(host, 0.1)[many]
    assert after.index == before.index + before.n
    assert after.flags == 0
    # its tick went on all the time
    passed = (after.tick - before.tick) / host.identity.tick_hz
    assert passed == pytest.approx((began - 250_000 - 50_000) * 1e-6, abs=1.0)
    assert passed > 0.2


# "u8 on: 1: send SCANS; 0: do not": once more the same changes nothing.
def test_a_stream_switched_on_twice_goes_on(host: Host) -> None:
    scans(host, 0.1)
    blocks = scans(host, 0.1)
    assert all(b.index == a.index + a.n for a, b in pairwise(blocks))


# … and anything else is "a value out of its range", but no bad frame.
def test_a_stream_that_is_neither_on_nor_off(host: Host) -> None:
    host.write(wire(b"\x42\x00\x02"))
    assert host.reply_to(0) == 2
    host.seq = 1
    assert not host.status().streaming
    assert not host.of(Scans)
    assert host.status().rx_bad == 0


# "One scan reads every analog channel once": a staircase of one step a scan comes out with every step once, in order.
@pytest.mark.parametrize("role", [Role.PRESSURE, Role.SHUNT, Role.LEVEL])
def test_every_scan_reads_its_own_level(host: Host, role: int) -> None:
    channel = host.channel(role)
    a = host.identity.analog[channel]
    assert host.answer(Stream(True)) == 0
    step = 8
    for k in range(100):
        host.set(role, (40 + k * step) * a.volts_per_count)
        host.scan()
    host.run(0.08)
    seen = counts(host, host.of(Scans), channel)
    first = next(k for k, count in enumerate(seen) if abs(count - a.zero_count - 40) <= COUNTS_OFF)
    for k in range(100):
        assert seen[first + k] == pytest.approx(a.zero_count + 40 + k * step, abs=COUNTS_OFF)


# "scan by scan, channels in the order of IDENTITY": each level is found on its own channel.
def test_every_channel_stands_in_its_place(host: Host) -> None:
    for k in range(len(host.volts)):
        host.volts[k] = 0.5 + 0.7 * k
    blocks = scans(host, 0.1)
    for k, a in enumerate(host.identity.analog):
        expected = (0.5 + 0.7 * k) / a.volts_per_count + a.zero_count
        assert counts(host, blocks[-1:], k) == pytest.approx([expected] * blocks[-1].n, abs=COUNTS_OFF)


# "bit k: in one of these scans channel k met an end of its converter other than its zero"
def test_overrange_names_the_channel(host: Host) -> None:
    level, pressure = host.channel(Role.LEVEL), host.channel(Role.PRESSURE)
    scans(host, 0.1)
    host.volts[level] = 6.0
    host.run(0.1)
    assert host.of(Scans)[-1].overrange == 1 << level
    host.volts[pressure] = 6.0
    host.run(0.1)
    assert host.of(Scans)[-1].overrange == 1 << level | 1 << pressure
    host.volts[level] = host.volts[pressure] = 1.0
    host.run(0.1)
    assert host.of(Scans)[-1].overrange == 0


# … "in one of these scans": a single one is told, once.
def test_a_single_scan_over_its_range_is_told(host: Host) -> None:
    scans(host, 0.1)
    host.set(Role.LEVEL, 6.0)
    host.scan()
    host.set(Role.LEVEL, 1.0)
    before = len(host.of(Scans))
    host.run(0.15)
    told = [block.overrange for block in host.of(Scans)[before:]]
    assert sum(bits == 1 << host.channel(Role.LEVEL) for bits in told) == 1
    assert sum(map(bool, told)) == 1


# … "an end of its converter other than its zero": count 0 of pressure is its zero; count 0 of the shunt, whose zero
# lies above, is not.
def test_the_lower_end_counts_only_where_it_is_not_zero(host: Host) -> None:
    analog = host.identity.analog
    shunt, pressure = host.channel(Role.SHUNT), host.channel(Role.PRESSURE)
    assert analog[pressure].zero_count == 0
    assert analog[shunt].zero_count > 0
    host.volts[pressure] = 0.0
    host.volts[shunt] = -analog[shunt].zero_count * analog[shunt].volts_per_count
    assert scans(host, 0.1)[-1].overrange == 1 << shunt
    host.volts[shunt] = 0.0
    host.run(0.1)
    assert host.of(Scans)[-1].overrange == 0
