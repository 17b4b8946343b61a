"""Sound frames with arbitrary values, in every stage and between runs, into link session, run and idle stand.

One damaged frame in 65 536 has a right check sum, and a device may be out of its mind, so each value of each frame is
hostile. Nothing may raise, nothing may grow beyond what was sent, and no verdict may be wrong.

    python -m tests.studies.hostile_frames --frames 10000000 --jobs 2
"""

import argparse
import sys
from collections import Counter
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from contextlib import suppress
from dataclasses import dataclass, replace
from functools import cache
from multiprocessing import get_context

import numpy as np
from numpy.typing import NDArray

from daq.catalogue.load import Catalogue, load_catalogue, load_stand
from daq.procedure.effects import Effect
from daq.procedure.plan import Stand
from daq.procedure.run import ConfirmError, Run
from daq.stand.idle import Idle
from drivers.block import Block, Capture, DeviceReset, Event, Identity, Input, Status, Trip
from drivers.link.codec import encode
from drivers.link.deframer import Deframer
from drivers.link.frames import Burst, Frame, Reply, Scans
from drivers.link.session import Session
from simulator.design import Scenario
from simulator.fast import FastBench, identity_of
from simulator.scenario import load_scenario
from tests.studies.curve import CONFIG
from tests.studies.single_faults.benches import Driven, Followed

MODES = {"followed": ("stand.toml", "depot"), "driven": ("stand-driven.toml", "driven")}
UNITS = {"good-pump": ("MH-2101", "pass"), "weak-pump": ("MH-2101", "fail"), "module": ("MH-3310", "pass")}
"""Units, the parts that they are, and the verdict that they deserve."""
IDLE_BLOCKS = 100
LONGEST_S = 300.0
RATES = (0.0, 0.0005, 0.005, 0.05, 0.5)
"""Shares of hostile frames."""
U8, U16, U32 = 8, 16, 32
Counts = NDArray[np.int16]


@dataclass(frozen=True, slots=True)
class Attack:
    """One run under attack: where, on what, how often, with which chance. A `direct` one goes past the link's session,
    as blocks of another maker's driver do: its counters are hostile."""

    mode: str
    unit: str
    rate: float
    seed: int
    direct: bool = False


@dataclass(frozen=True, slots=True)
class Survived:
    """What came of it: the run's word and why, and the frames that were sent."""

    attack: Attack
    word: str
    why: str
    frames: int

    @property
    def wrong(self) -> bool:
        """Whether a unit got a verdict that it does not deserve."""
        deserved = UNITS[self.attack.unit][1]
        return self.word in ("pass", "fail") and self.word != deserved


@cache
def _given(mode: str) -> tuple[Stand, Catalogue, Scenario]:
    config, scenario = MODES[mode]
    stand = load_stand(CONFIG / config).stand
    return stand, load_catalogue(CONFIG / config, stand), load_scenario(scenario)


class Hostile:
    """Makes frames with arbitrary values, near those that were sent last or anywhere."""

    def __init__(self, draw: np.random.Generator, identity: Identity) -> None:
        self._draw, self._identity = draw, identity

    def number(self, bits: int, near: int = 0) -> int:
        """Any number of so many bits; often at an end, or near one that is true."""
        top = 1 << bits
        kind = int(self._draw.integers(6))
        if kind == 0:
            return int(self._draw.integers(top))
        if kind == 1:
            return int(self._draw.choice((0, 1, top - 1, top >> 1, (top >> 1) - 1)))
        if kind == 2:
            return near
        return (near + int(self._draw.integers(-(10 ** int(self._draw.integers(1, 10))), 10**9))) % top

    def scans(self, true: Scans) -> Scans:
        """A SCANS frame with one or more values that are not what they were."""
        counts = np.frombuffer(true.counts, "<i2").copy()
        changes: dict[str, Callable[[], dict[str, object]]] = {
            "boot": lambda: {"boot": self.number(U8, true.boot)},
            "tick": lambda: {"tick": self.number(U32, true.tick)},
            "index": lambda: {"index": self.number(U32, true.index)},
            "flags": lambda: {"flags": self.number(U8)},
            "overrange": lambda: {"overrange": self.number(U8)},
            "counts": lambda: {"counts": self._spoilt(counts).tobytes()},
            "edges": lambda: {"edges": tuple(self.number(U32, e) for e in true.edges)},
            "last_edge": lambda: {"last_edge": tuple(self.number(U32, e) for e in true.last_edge)},
        }
        names = self._draw.choice(list(changes), size=int(self._draw.integers(1, 4)), replace=False)
        spoilt = true
        for name in names.tolist():
            spoilt = replace(spoilt, **changes[name]())  # type: ignore[arg-type]
        return spoilt

    def block(self, true: Block) -> Block:
        """A block with counters that are not what they were."""
        edges = [self.number(40, int(x)) for x in true.edges]
        last = [self.number(50, int(x)) - 1 for x in true.last_edge]
        return replace(true, edges=np.array(edges, np.int64), last_edge=np.array(last, np.int64))

    def _spoilt(self, counts: Counts) -> Counts:
        if self._draw.integers(2):
            return self._draw.integers(-(2**15), 2**15, counts.shape, dtype=np.int16)
        counts[int(self._draw.integers(counts.size))] = self._draw.integers(-(2**15), 2**15)
        return counts

    def other(self, true: Scans) -> Frame:
        """A frame of another type."""
        kind = int(self._draw.integers(12))
        if kind < 5:
            flags = [bool(self._draw.integers(2)) for _ in range(5)]
            valve, supply, trip = self.number(U16), self.number(U16), int(self._draw.integers(0, 9))
            state = (Input(self.number(3)), Trip(min(trip, max(Trip))), self.number(U8), self.number(U16), 0)
            return Status(self.number(U8, true.boot), self.number(U32, true.tick), *flags, valve, supply, *state)
        if kind < 9:
            total = self.number(U16, 100)
            n = int(self._draw.integers(1, 90))
            counts = tuple(self._draw.integers(-(2**15), 2**15, n).tolist())
            return Burst(
                self.number(U8), self.number(U8), self.number(U32), self.number(U32, true.tick), total,
                self.number(U16), bool(self._draw.integers(2)), counts,
            )  # fmt: skip
        if kind < 11:
            return Reply(self.number(U8), self.number(U8))
        return replace(self._identity, sample_hz=max(1, self.number(U16, self._identity.sample_hz)))


class Link:
    """The wire between a bench and a session."""

    def __init__(self, identity: Identity) -> None:
        self.session, self._up = Session(0.0), Deframer()
        self._seq, self.frames, self.now = 0, 0, 0.0
        self.session.identify(0.0)
        self.send(identity)

    def send(self, frame: Frame) -> list[Event]:
        """One sound frame; gives what the session makes of it."""
        self.frames += 1
        wire = encode(self._seq, frame)
        self._seq = (self._seq + 1) % 256
        events = [e for piece in self._up.feed(wire) for e in self.session.handle(piece, self.now)]
        self.session.take_output()
        return [*events, *self.session.poll(self.now)]


def scans_of(block: Block) -> Scans:
    """The frame that a device sends for a block."""
    wrap = 1 << 32
    counts = np.ascontiguousarray(block.values, "<i2").tobytes()
    edges, last = ([int(x) % wrap for x in row] for row in (block.edges, block.last_edge))
    return Scans(
        block.boot & 0xFF, block.tick % wrap, block.index % wrap, block.n, 0, block.overrange, counts, tuple(edges),
        tuple(last),
    )  # fmt: skip


def carry_out(attack: Attack) -> Survived:
    """A run from idle to its verdict, or to the device's reset."""
    stand, catalogue, scenario = _given(attack.mode)
    draw = np.random.default_rng((attack.seed, 5))
    identity = identity_of(scenario)
    hostile, link = Hostile(draw, identity), Link(identity)
    bench = FastBench(scenario, scenario.unit(attack.unit), np.random.default_rng(attack.seed), misread={})
    idle = Idle(stand.channels, identity)
    for _ in range(IDLE_BLOCKS):
        for event in _sent(link, hostile, bench, attack, draw):
            if isinstance(event, Block):
                idle.feed(event)
            elif isinstance(event, Status):
                idle.status(event)
    run = Run(catalogue.part(UNITS[attack.unit][0]), stand, identity, {})
    told = Status(
        identity.boot, 0, False, False, True, attack.mode == "driven", False, 0xFFFF, 0, Input(0), Trip.NONE, 0, 0, 0
    )
    run.status(told)  # as a device does once a second
    attend = Driven(bench) if attack.mode == "driven" else Followed(bench)
    effects: list[Effect] = []
    scans = 0
    while run.outcome is None:
        with suppress(ConfirmError):  # a run may have gone on between the question and the answer
            attend.before(run, effects)
        seen: list[Effect] = []
        for event in _sent(link, hostile, bench, attack, draw):
            if run.outcome is None:
                seen += _fed(run, event)
            scans += event.n if isinstance(event, Block) else 0
        attend.told(seen)
        if bench.time > LONGEST_S and run.outcome is None:
            run.halt("endless")
    assert run.measuring.trace.filled <= scans, "more scans than were sent"
    return Survived(attack, run.outcome.verdict.word.value, run.outcome.verdict.why, link.frames)


def _sent(link: Link, hostile: Hostile, bench: FastBench, attack: Attack, draw: np.random.Generator) -> Iterator[Event]:
    """What the session makes of the next block, hostile or not, and of a frame between two of them."""
    block = bench.block()
    link.now = bench.time
    if attack.direct:
        link.frames += 1
        yield hostile.block(block) if draw.random() < attack.rate else block
        return
    true = scans_of(block)
    if draw.random() < attack.rate:
        yield from link.send(hostile.other(true))
    yield from link.send(hostile.scans(true) if draw.random() < attack.rate else true)


def _fed(run: Run, event: Event) -> list[Effect]:
    match event:
        case Block():
            return run.feed(event)
        case Status():
            return run.status(event)
        case Capture():
            return run.captured(event)
        case DeviceReset():
            return run.halt("device reset")
    return []


def attacks(frames: int, seed: int = 1) -> Iterator[Attack]:
    """So many attacks that about `frames` are sent."""
    places = [(mode, unit) for mode in MODES for unit in UNITS]
    for k in range(max(1, frames // 900)):
        mode, unit = places[k % len(places)]
        rate = RATES[(k // len(places)) % len(RATES)]
        yield Attack(mode, unit, rate, seed * 1_000_000 + k, direct=k % 7 == 0)


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.studies.hostile_frames")
    parser.add_argument("--frames", type=int, default=1_000_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=1)
    options = parser.parse_args()
    words: dict[float, Counter[str]] = {}
    sent, wrong = 0, 0
    with ProcessPoolExecutor(options.jobs, get_context("spawn")) as pool:
        for survived in pool.map(carry_out, attacks(options.frames, options.seed), chunksize=4):
            sent += survived.frames
            words.setdefault(survived.attack.rate, Counter())[survived.word] += 1
            if survived.wrong:
                wrong += 1
                sys.stdout.write(f"wrong: {survived}\n")
    for rate, counted in sorted(words.items()):
        sys.stdout.write(f"hostile {rate:.2%}: {', '.join(f'{n} {word}' for word, n in counted.most_common())}\n")
    sys.stdout.write(f"{sent} frames, {wrong} wrong verdicts\n")
    if wrong:
        sys.exit(1)


if __name__ == "__main__":
    main()
