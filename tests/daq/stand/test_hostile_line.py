"""A stand in operation on a line whose sound frames hold anything: it goes on, and judges nothing that is spoilt.

One damaged frame in 65 536 has a right check sum, so each value of each frame is hostile. Runs by the thousand, without
the stand around them, are in `tests/studies/hostile_frames.py`.
"""

from collections.abc import Iterator
from dataclasses import replace
from itertools import count
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daq.catalogue.load import load_stand
from daq.measure.errors import MeasureError
from daq.procedure.effects import Alarm
from daq.stand.idle import Idle
from daq.stand.rejudge import in_force, rejudge
from daq.stand.said import Stage
from drivers.block import Block, Identity, Input, Status, Trip
from drivers.device import Address
from drivers.link.codec import encode
from drivers.link.deframer import Deframer
from drivers.link.frames import Burst, Frame, Reply, Scans
from drivers.link.session import Session
from drivers.replay import open_replay
from simulator.driver import SimulatedDevice
from simulator.fast import identity_of
from simulator.scenario import load_scenario
from tests.daq.stand.driven import DRIVEN, opened
from tests.studies.hostile_frames import Hostile

U8, U16, U32 = (st.integers(0, (1 << bits) - 1) for bits in (8, 16, 32))
PLACES = {"followed": ("stand.toml", "depot"), "driven": ("stand-driven.toml", "driven")}
FOLLOWED = load_stand(DRIVEN.parent / "stand.toml").stand
SCENARIO = load_scenario("depot")
IDENTITY = identity_of(SCENARIO)
ANALOG, PULSE = len(IDENTITY.analog), len(IDENTITY.pulse)


class Attacked:
    """A simulated device's line, a share of whose frames is replaced or joined by others with a right check sum."""

    def __init__(self, device: SimulatedDevice, share: float, seed: int) -> None:
        self._read, self._draw = device._ends_in.read, np.random.default_rng(seed)
        self._hostile, self._found = Hostile(self._draw, device.identity), Deframer(opened=False)
        self._found.feed(encode(0, device.identity))
        self._share, self._seq = share, count()
        self.spoilt = 0
        device._ends_in.read = self.read  # type: ignore[method-assign]

    async def read(self) -> bytes:
        data = await self._read()
        frames = [frame for piece in self._found.feed(data) if piece.frame for frame in self._sent(piece.frame)]
        return b"".join(encode(next(self._seq) & 0xFF, frame) for frame in frames) or data[-1:]

    def _sent(self, true: Frame) -> Iterator[Frame]:
        if isinstance(true, Scans) and self._draw.random() < self._share:
            self.spoilt += 1
            if self._draw.random() < 0.5:
                yield self._hostile.other(true)
            else:
                true = self._hostile.scans(true)
        yield true


@pytest.mark.parametrize("share", [0.003, 0.05])
@pytest.mark.parametrize(
    ("mode", "unit", "never"),
    [("followed", "good-pump", "fail"), ("followed", "weak-pump", "pass"), ("driven", "good-pump", "fail")],
)
async def test_a_stand_goes_on_and_gives_no_wrong_verdict(
    tmp_path: Path, mode: str, unit: str, never: str, share: float
) -> None:
    """Two runs under attack, and their recordings give the same verdicts, digit by digit."""
    file, scenario = PLACES[mode]
    config = load_stand(DRIVEN.parent / file)
    results = []
    async with opened(config, tmp_path, f"sim://{scenario}/{unit}") as bench:
        attacked = Attacked(bench.device, share, seed=round(1000 * share))
        for _ in range(2):
            results.append((await bench.test("MH-2101")).data)
            # A reset may still be answered.
            await bench.next(Stage, lambda _: "link_down" not in bench.stand.blocked_by)
            if bench.stand.blocked_by:  # a status said so last, and sample time stands still between runs
                break
        mistakes = [alarm for alarm in bench.all(Alarm) if alarm.code == "internal_error"]
    assert attacked.spoilt
    assert mistakes == []
    for data in results:
        assert data.verdict != never
        path = tmp_path / "data" / "recordings" / f"{data.run}.rec"
        device = await open_replay(Address(f"replay://{path}", "replay", str(path)))
        again = await rejudge(device, in_force(device))
        assert (again.verdict, again.why, again.readings) == (data.verdict, data.why, data.readings)


@st.composite
def any_frame(draw: st.DrawFn) -> Frame:
    """A frame of any type that a device sends, each value of it anything that the link can carry."""
    kind = draw(st.sampled_from(("scans", "scans", "status", "burst", "reply", "identity")))
    if kind == "scans":
        n = draw(st.integers(1, 5))
        counts = draw(st.binary(min_size=2 * n * ANALOG, max_size=2 * n * ANALOG))
        pulses = [tuple(draw(U32) for _ in range(PULSE)) for _ in range(2)]
        boot = draw(st.sampled_from((IDENTITY.boot & 0xFF, IDENTITY.boot & 0xFF, 9)))
        return Scans(boot, draw(U32), draw(U32), n, draw(U8), draw(U8), counts, *pulses)
    if kind == "status":
        flags = [draw(st.booleans()) for _ in range(5)]
        state = (Input(draw(st.integers(0, 7))), draw(st.sampled_from(Trip)), draw(U8), draw(U16), draw(U16))
        return Status(IDENTITY.boot & 0xFF, draw(U32), *flags, draw(U16), draw(U16), *state)
    if kind == "burst":
        counts16 = tuple(draw(st.lists(st.integers(-(2**15), 2**15 - 1), min_size=1, max_size=20)))
        return Burst(draw(U8), draw(U8), draw(U32), draw(U32), draw(U16), draw(U16), draw(st.booleans()), counts16)
    if kind == "reply":
        return Reply(draw(U8), draw(U8))
    return draw(st.sampled_from((IDENTITY, spoilt_identity(draw(U16), draw(U32)))))


def spoilt_identity(sample_hz: int, tick_hz: int) -> Identity:
    return replace(IDENTITY, sample_hz=max(1, sample_hz), tick_hz=max(1, tick_hz))


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(any_frame(), st.floats(0.0, 3.0)), max_size=30))
def test_no_frames_bring_a_stand_down_between_runs(frames: list[tuple[Frame, float]]) -> None:
    """Whatever comes in whatever order; what the session lets through, the idle stand takes."""
    session, found, idle = Session(0.0), Deframer(), Idle(FOLLOWED.channels, IDENTITY)
    session.identify(0.0)
    session.stream(True, 0.0)
    now, scans = 0.0, 0
    for k, (frame, later) in enumerate([(IDENTITY, 0.0), *frames]):
        now += later
        events = [e for piece in found.feed(encode(k & 0xFF, frame)) for e in session.handle(piece, now)]
        for event in [*events, *session.poll(now)]:
            if isinstance(event, Block):
                scans += event.n
                idle.feed(event)
            elif isinstance(event, Status):
                idle.status(event)
            elif isinstance(event, Identity):
                try:
                    idle = Idle(FOLLOWED.channels, event)
                except MeasureError:  # the stand says so, and is not ready
                    return
        assert len(session.take_output()) < 500
    assert session.counts.scans == scans
