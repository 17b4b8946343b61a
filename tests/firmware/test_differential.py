"""Two firmwares that owe each other nothing, under the same requests, levels, inputs and edges: the same answers.

What is asked is drawn at random from a fixed seed. Nothing is asked while a time that both keep (lease, blank, longest
time) is about to end, since they may then rightly differ by a scan.
"""

import random
import struct
from collections.abc import Callable, Iterator
from dataclasses import replace
from math import inf

import pytest

from drivers.block import Feature, Identity, Input, Role, Status
from drivers.device import LimitEntry
from drivers.link.codec import encode
from drivers.link.frames import CaptureRequest, Clear, Drive, FromHost, Identify, Limits, Reply, Scans, Stream
from simulator.coupling import Program
from tests import firmware_builds
from tests.firmware.face import Device
from tests.firmware.host import Host, wire
from tests.firmware.variant import LINES, Variant, options, paper

STEPS = 60
ANSWERED = 12
"""Scans in which both have answered the longest request: 24 ms."""
CLOSE = 12_000
"""µs before and behind the end of a time in which nothing is asked."""
TOLD = 80_000
"""µs in which STATUS tells of a change."""
LONGEST = 1_200_000
"""µs after which no time that began with the power can end: `max_on_s` is 1 at most here."""
COUNT = 5 / 4096
LEVELS = [820 * COUNT, 1640 * COUNT, 2460 * COUNT, 3280 * COUNT, 5.5]
"""Volts that are whole counts, and some beyond the converter; limits lie between them."""
BETWEEN = [410 * COUNT, 1230 * COUNT, 2050 * COUNT, 2870 * COUNT, 3690 * COUNT]


class Pair:
    """Two hosts that ask the same. `leases` end, and power may have come on at `starts`, both in µs."""

    def __init__(self, first: Host, second: Host, chance: random.Random) -> None:
        self.hosts = (first, second)
        self.chance = chance
        self.leases: list[int] = []
        self.starts: list[int] = []
        self.limits = Limits(0, 0, ())
        self.seq = 0

    @property
    def now(self) -> int:
        return self.hosts[0].us

    def run(self, scans: int) -> None:
        for host in self.hosts:
            for _ in range(scans):
                host.scan()

    def write(self, data: bytes) -> None:
        for host in self.hosts:
            host.write(data)

    def send(self, frame: FromHost) -> None:
        self.write(encode(self.seq, frame))
        self.seq = (self.seq + 1) & 0xFF

    def ends(self) -> list[int]:
        """Times at which a device may do something by itself."""
        limits = self.limits
        times = 1000 * limits.blank_ms, 1_000_000 * limits.max_on_s
        return [*self.leases, *(start + time for start in self.starts for time in times)]

    def wait(self, since: int = CLOSE) -> None:
        """Goes on until nothing has ended by itself for `since` µs, and nothing is about to."""
        ends = self.ends()
        while any(end - CLOSE < self.now < end + since for end in ends):
            self.run(2)
        self.leases = [end for end in self.leases if end + TOLD > self.now]
        self.starts = [start for start in self.starts if start + LONGEST > self.now]

    def started(self, lease_ms: int) -> None:
        """A DRIVE that may have been taken."""
        self.leases.append(self.now + 1000 * lease_ms)
        self.starts.append(self.now)

    def set(self, channel: int, volts: float) -> None:
        for host in self.hosts:
            host.volts[channel] = volts


# What is asked


def calm(pair: Pair) -> None:
    """All is well, and power is on."""
    for host in pair.hosts:
        host.inputs, host.volts = Input(7), [LEVELS[1]] * len(host.volts)
    pair.run(4)
    pair.limits = Limits(60, 0, (LimitEntry(0, BETWEEN[3], -inf), LimitEntry(2, BETWEEN[2], BETWEEN[0])))
    for frame in (pair.limits, Clear(), Drive(True, 0, 65_535, 2000)):
        pair.send(frame)
    pair.started(2000)


def drive(pair: Pair) -> None:
    chance = pair.chance
    lease = chance.choice([0, 40, 90, 150, 400, 2000, 2001, 9999])
    valve = chance.choice([65_535] * 4 + [0, 2_500, 10_000, 10_001])
    frame = Drive(chance.random() < 0.85, chance.choice([0] * 8 + [13_500]), valve, lease)
    pair.started(lease)
    pair.send(frame)


def limits(pair: Pair) -> None:
    chance = pair.chance
    entries = tuple(
        LimitEntry(
            chance.choice([*range(6), *range(6), 6]) if chance.random() < 0.2 else chance.randrange(6),
            chance.choice([*BETWEEN[2:], inf, inf]),
            chance.choice([*BETWEEN[:1], -inf, -inf, -inf]),
        )
        for _ in range(chance.choice([0, 1, 2, 3, 26]))
    )
    frame = Limits(chance.choice([0, 0, 60, 200]), chance.choice([0, 0, 0, 1]), entries)
    if all(entry.channel < 6 for entry in entries):
        pair.limits = frame
        pair.wait()
    pair.send(frame)


def capture(pair: Pair) -> None:
    chance = pair.chance
    frame = CaptureRequest(
        chance.randrange(3),
        chance.choice([Role.SHUNT_WIDE] * 6 + [Role.PRESSURE, Role.EXCITATION]),
        chance.choice([5_000] * 6 + [2_500, 20_001]),
        chance.choice([200] * 6 + [0, 4_001]),
    )
    if frame.role == Role.EXCITATION:
        frame = replace(frame, rate_hz=5_000, total=200)  # two reasons at once: the page names no first
    pair.send(frame)
    pair.run(2)
    if chance.random() < 0.5:
        pair.send(replace(frame, capture=chance.randrange(3)))
    pair.run(150)


def level(pair: Pair) -> None:
    pair.set(pair.chance.randrange(6), pair.chance.choice(LEVELS))


def spike(pair: Pair) -> None:
    """One or two high scans, or two with a low one between them."""
    channel = pair.chance.randrange(6)
    usual = pair.hosts[0].volts[channel]
    for high in pair.chance.choice(["^", "^^", "^-^", "^--^", "^^^"]):
        pair.set(channel, LEVELS[3] if high == "^" else usual)
        pair.run(1)
    pair.set(channel, usual)


def inputs(pair: Pair) -> None:
    bits = pair.chance.choice([7, 7, 7, 6, 5, 3])
    for host in pair.hosts:
        host.inputs = Input(bits)


def edges(pair: Pair) -> None:
    gap, n = pair.chance.choice([700_000, 2_300_000, 9_100_000]), pair.chance.randrange(1, 12)
    for host in pair.hosts:
        host.edges += [host.us * 1000 + 500_000 + k * gap for k in range(n)]


def noise(pair: Pair) -> None:
    """What no host should send."""
    chance, seq = pair.chance, pair.seq
    contents = [
        bytes((0x42, seq)),
        bytes((0x43, seq, 2, 0, 0, 0xFF, 0xFF, 0x64, 0)),
        bytes((0x42, seq, 3)),
        bytes((0x44, seq, 0, 0, 0, 0, 2)) + bytes(9),
        bytes((0x77, seq, 1, 2)),
        bytes((0x02, seq)),
        bytes((0x46, seq, 0)),
        bytes((0x41, seq, 0)),
    ]
    content = chance.choice(contents)
    kind = chance.randrange(5)
    if kind == 0:
        pair.write(bytes(chance.choices(range(1, 256), k=chance.randrange(1, 320))) + b"\0")
    elif kind == 1:
        pair.write(wire(content, crc=chance.randrange(1 << 16)))
    elif kind == 2:
        pair.write(wire(content) * 2)
        pair.seq = (seq + 1) & 0xFF
    elif kind == 3:
        pair.write(b"\0\0")
    else:
        pair.write(wire(content))
        pair.seq = (seq + chance.choice([1, 1, 4])) & 0xFF


def reset(pair: Pair) -> None:
    cause = pair.chance.choice([2, 4, 8])
    kept = [(list(host.volts), host.inputs) for host in pair.hosts]
    said = [host.reset(cause) for host in pair.hosts]
    assert said[0].boot == said[1].boot
    assert said[0].reset_cause == said[1].reset_cause == cause
    for host, (volts, bits) in zip(pair.hosts, kept, strict=True):
        host.volts, host.inputs, host.edges = volts, bits, []
    pair.seq, pair.limits, pair.leases, pair.starts = 0, Limits(0, 0, ()), [], []
    meet(pair)


def meet(pair: Pair) -> None:
    """Both are brought to the same time, if one of them booted faster."""
    ahead = max(host.us for host in pair.hosts)
    for host in pair.hosts:
        while host.us < ahead:
            host.scan()


ASKED: list[tuple[Callable[[Pair], None], int]] = [
    (calm, 14), (drive, 14), (limits, 6), (level, 6), (spike, 4), (inputs, 4), (edges, 3), (noise, 6), (capture, 2),
    (reset, 1),
    (lambda pair: pair.send(Clear()), 6), (lambda pair: pair.send(Stream(pair.chance.random() < 0.7)), 3),
    (lambda pair: pair.send(Identify()), 1),
]  # fmt: skip


# What is compared


def told(host: Host) -> tuple[object, ...]:
    """Every answer so far, and all that STATUS says now but for its time, and that a valve of paper takes none."""
    status = host.of(Status)[-1]
    replies = [(frame.seq, frame.code) for frame in host.of(Reply)]
    return replies, len(host.of(Identity)), replace(status, tick=0, valve_moving=False), host.power


def by_tick(host: Host) -> dict[int, bytes]:
    """The counts of every scan that came, by its tick."""
    width = 2 * len(host.volts)
    found = {}
    step = host.identity.tick_hz // host.identity.sample_hz
    for block in host.of(Scans):
        for k in range(block.n):
            found[block.tick + k * step] = block.counts[width * k : width * (k + 1)]
    return found


def same_scans(pair: Pair) -> None:
    first, second = map(by_tick, pair.hosts)
    both = first.keys() & second.keys()
    assert len(both) >= 0.8 * max(len(first), len(second)) - 40
    for tick in both:
        a, b = (struct.unpack(f"<{len(scan[tick]) // 2}h", scan[tick]) for scan in (first, second))
        assert a == b, f"the scan at tick {tick}"


@pytest.fixture
def hosts() -> Iterator[tuple[Host, Host]]:
    """Python's and the reference firmware, built alike, on a line that takes no time."""
    program = Program([*firmware_builds.host(), *options(Variant()), "--baud", "0"])
    devices: tuple[Device, ...] = (paper(Variant()), program)
    yield tuple(Host(device, len(LINES)) for device in devices)  # type: ignore[misc]
    for device in devices:
        device.close()


@pytest.mark.parametrize("seed", range(10))
def test_both_answer_the_same(hosts: tuple[Host, Host], seed: int) -> None:
    first, second = hosts
    assert replace(first.identity, device_id="", firmware="") == replace(second.identity, device_id="", firmware="")
    assert Feature.POWER_SWITCH in first.identity.features
    pair = Pair(first, second, random.Random(seed))
    meet(pair)
    chosen = pair.chance.choices([ask for ask, _ in ASKED], [weight for _, weight in ASKED], k=STEPS)
    on = tripped = 0
    for ask in [calm, *chosen]:
        pair.wait()
        ask(pair)
        pair.run(ANSWERED + pair.chance.randrange(20))
        pair.wait()
        on += first.power
        pair.run(TOLD // first.span_us)
        pair.wait(TOLD)
        tripped += first.of(Status)[-1].trip != 0
        assert told(first) == told(second), f"after {getattr(ask, '__name__', ask)}"
        assert first.fell == pytest.approx(second.fell, abs=first.span_us)
        same_scans(pair)
    assert on >= STEPS // 5
    assert tripped
