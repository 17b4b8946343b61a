"""A small stand for these tests: it speaks the link through the codec, and time is the number of its reads.

It keeps to the contract only as far as the tests here need; the virtual microcontroller of the simulator does it all.
"""

from collections import deque
from dataclasses import replace

import numpy as np

from drivers.block import AnalogInput, Feature, Identity, Input, Status, Trip
from drivers.device import PortError
from drivers.link import frames
from drivers.link.codec import encode, limits_crc
from drivers.link.deframer import Deframer

N = 20
STEP = 0.04


class Stand:
    """`read` gives 40 ms of line and moves the clock so far. `faults` maps a read's number to what happens there."""

    def __init__(self, *, boot: int = 7, start_tick: int = 0, faults: dict[int, str] | None = None) -> None:
        self.identity = Identity(
            1, Feature.SIMULATED, "00ff00ff00ff00ff", "1.0.0", Input(7), 1, boot, 1_000_000, 500, 20_000, 1000,
            (AnalogInput(1, 12, 0, 5 / 4096), AnalogInput(9, 12, 0, 5 / 4096)), (1,),
        )  # fmt: skip
        self.faults = faults or {}
        self.reads = 0
        self.heard: list[frames.Frame] = []
        self.deaf_until = 0.0
        self.closed = False
        self.answers: deque[int] = deque()
        self._tick, self._index, self._edges = start_tick, 0, 0
        self._seq = 0
        self._limits_crc = 0
        self._streaming = False
        self._from_host = Deframer()
        self._out = bytearray()
        self._rng = np.random.default_rng(3)

    def now(self) -> float:
        return self.reads * STEP

    async def read(self) -> bytes | None:
        self.reads += 1
        fault = self.faults.get(self.reads, "")
        if fault == "unplug" or self.closed:
            return b""
        if fault == "reset":
            self._reset()
        self._advance()
        out = bytes(self._out)
        self._out.clear()
        if fault == "flip":
            out = out[:9] + bytes((out[9] ^ 4,)) + out[10:]
        if fault == "double":
            out += out
        return None if fault in {"lose", "silent"} else out or None

    async def write(self, data: bytes) -> None:
        if self.closed:
            raise PortError("the stand is closed")
        for piece in [] if self.now() < self.deaf_until else self._from_host.feed(data):
            if piece.frame is not None:
                self.heard.append(piece.frame)
                self._obey(piece.frame, piece.seq)

    async def close(self) -> None:
        self.closed = True

    def say(self, frame: frames.Frame) -> None:
        self._out += encode(self._seq, frame)
        self._seq = (self._seq + 1) & 0xFF

    def _reset(self) -> None:
        self.identity = replace(self.identity, boot=self.identity.boot + 1)
        self._tick = self._index = self._edges = self._seq = 0
        self._streaming = False
        self.say(self.identity)

    def _advance(self) -> None:
        self._tick += N * 2000
        if self.reads % 25 == 0:
            self.say(self.status())
        if not self._streaming:
            return
        self._edges += 5
        begin = self._tick - N * 2000
        counts = self._rng.integers(0, 4096, (N, 2)).astype("<i2").tobytes()
        wrapped = [value % 2**32 for value in (begin, self._index, self._edges, begin + 30_000)]
        self.say(frames.Scans(self.identity.boot & 0xFF, *wrapped[:2], N, 0, 0, counts, (wrapped[2],), (wrapped[3],)))
        self._index += N

    def status(self) -> Status:
        return Status(
            self.identity.boot & 0xFF, self._tick % 2**32, False, False, self._streaming, bool(self._limits_crc), False,
            0xFFFF, 0, Input(7), Trip.NONE, self._limits_crc, 0, 0,
        )  # fmt: skip

    def _obey(self, frame: frames.Frame, seq: int) -> None:
        if isinstance(frame, frames.Identify):
            self.say(self.identity)
            return
        code = self.answers.popleft() if self.answers else 0
        if isinstance(frame, frames.Stream):
            self._streaming = frame.on
        if isinstance(frame, frames.Limits):
            self._limits_crc = limits_crc(frame)
        self.say(frames.Reply(seq, code))
        if isinstance(frame, frames.Limits):
            self.say(self.status())
        if isinstance(frame, frames.CaptureRequest) and code == 0:
            for first in range(0, frame.total, 100):
                counts = tuple(range(first, min(first + 100, frame.total)))
                self.say(frames.Burst(frame.capture, frame.role, frame.rate_hz, 5, frame.total, first, False, counts))
