"""The host's side of a device under test: frames out and in, levels and inputs to set, time that moves scan by scan."""

from typing import NamedTuple, TypeVar

from cobs import cobs

from drivers.block import Identity, Input, Status, Trip
from drivers.link.cobs import crc16
from drivers.link.codec import encode
from drivers.link.deframer import Deframer, Piece, Trouble
from drivers.link.frames import LEAVE_SUPPLY, LEAVE_VALVE, Drive, Frame, FromHost, Identify, Limits, Reply
from simulator.coupling import Span
from tests.firmware.face import Device
from tests.firmware.paper import ALL_INPUTS

F = TypeVar("F", bound=Frame)

NO_LIMITS = Limits(0, 0, ())
ON = Drive(True, LEAVE_SUPPLY, LEAVE_VALVE, 2000)
OFF = Drive(False, LEAVE_SUPPLY, LEAVE_VALVE, 0)
LONGEST_ANSWER = 0.25
"""Seconds in which a device has to answer (section 6: after that the host asks again)."""
STATUS_SOON = 0.07
"""Seconds in which a change shows in STATUS: one may come every 50 ms, and has to get through the line."""
LONGEST_WIRE = 252
"""Bytes of the longest frame on the line (section 2)."""
EXTERNAL_RESET = 2


class Heard(NamedTuple):
    """A frame, and the end of the scan in which the last of it came, in µs."""

    us: int
    frame: Frame


def wire(content: bytes, crc: int | None = None) -> bytes:
    """Type, seq and body as they travel, stuffed by a library that is not ours; with a check sum of one's own."""
    check = crc16(content) if crc is None else crc
    return cobs.encode(content + check.to_bytes(2, "little")) + b"\0"


class Host:
    """A host whose device has just been reset, with every level at `calm` volts and every input closed.

    `volts` are as the link counts them, channel by channel. `power` is the device's power pin, `fell` the time at which
    it last fell since the reset (µs) and `valve` where the valve is sent. `asked` and `answered` are the times (µs)
    between which the newest request of `answer` was taken.
    """

    def __init__(self, device: Device, n_analog: int, calm: float = 1.0) -> None:
        self.device = device
        self.us = 0
        self.span_us = 2000
        self.volts = [calm] * n_analog
        self.inputs = ALL_INPUTS
        self.edges: list[int] = []
        self.fell = -1.0
        self.asked = self.answered = 0
        self.identity: Identity
        self.reset()

    # Time

    def reset(self, cause: int = EXTERNAL_RESET) -> Identity:
        """Resets the device and waits until it says who it is."""
        self.heard: list[Heard] = []
        self.pieces: list[Piece] = []
        self.power, self.valve = False, None
        self.seq = 0
        self._deframer = Deframer()
        self._device_seq = 0
        self._waiting: list[int] = []
        self._out = b""
        self.device.reset(cause)
        self.inputs = ALL_INPUTS
        for _ in range(250):
            if self.scan():
                break
        first = self.heard[0].frame if self.heard else None
        assert isinstance(first, Identity), f"half a second after a reset the first frame was {first}"
        self.identity = first
        self.span_us = 1_000_000 // first.sample_hz
        self.fell = -1.0
        return first

    def scan(self) -> list[Frame]:
        """Moves on by the time of one scan; the frames that came in it."""
        start, end = self.us * 1000, (self.us + self.span_us) * 1000
        edges = tuple(ns - start for ns in self.edges if start < ns <= end)
        self.edges = [ns for ns in self.edges if ns > end]
        told = self.device.run(Span(self.span_us, self._pins(), self.inputs, edges, (), self._out))
        self._out = b""
        if told.fell is not None:
            self.fell = self.us + told.fell / 1000
        self.power, self.valve = told.power, told.valve
        self.us += self.span_us
        return self._listen(told.sent)

    def _pins(self) -> tuple[float, ...]:
        """Volts at the converter's pins: those that the link counts, lifted to the channel's zero."""
        if not self.heard:  # nobody has said yet what stands where
            return tuple(self.volts)
        analog = self.identity.analog
        return tuple((v / a.volts_per_count + a.zero_count) * abs(a.volts_per_count)
                     for v, a in zip(self.volts, analog, strict=True))  # fmt: skip

    def run(self, seconds: float) -> list[Frame]:
        """Moves on by whole scans; the frames that came meanwhile."""
        scans = round(seconds * 1e6 / self.span_us)
        return [frame for _ in range(scans) for frame in self.scan()]

    def keep_on(self, seconds: float) -> None:
        """Moves on, renewing the lease of 2 s in good time, and stops a scan after power has fallen."""
        for k in range(round(seconds * 1e6 / self.span_us)):
            if k % 250 == 0:
                self.send(ON)
            if self.scan() and not self.power and k > 5:
                return

    def until_off(self, longest: float) -> float:
        """Moves on until the power pin falls; when that was, in µs."""
        for _ in range(round(longest * 1e6 / self.span_us)):
            if not self.power:
                return self.fell
            self.scan()
        assert not self.power, f"power is on still after {longest} s"
        return self.fell

    # Talk

    def _listen(self, data: bytes) -> list[Frame]:
        new: list[Frame] = []
        for piece in self._deframer.feed(data):
            if piece.trouble in {Trouble.EMPTY, Trouble.PARTIAL}:
                continue  # a zero to begin with, and a frame that the reset cut off
            assert piece.frame is not None, f"the device sent {piece.wire.hex(' ')}: {piece.trouble}"
            assert len(piece.wire) <= LONGEST_WIRE
            assert piece.seq == self._device_seq, f"the device's frame {piece.seq}, expected {self._device_seq}"
            self._device_seq = (self._device_seq + 1) & 0xFF
            self.pieces.append(piece)
            self.heard.append(Heard(self.us, piece.frame))
            if isinstance(piece.frame, Reply) and piece.frame.seq in self._waiting:
                self._waiting.remove(piece.frame.seq)
            new.append(piece.frame)
        return new

    def write(self, data: bytes) -> None:
        """Puts bytes on the line; they leave with the next scan."""
        self._out += data

    def send(self, frame: FromHost) -> int:
        """Puts a frame with a number of its own on the line; the number."""
        seq = self.seq
        self.seq = (seq + 1) & 0xFF
        self.write(encode(seq, frame))
        if not isinstance(frame, Identify):
            self._waiting.append(seq)
        return seq

    def answer(self, frame: FromHost) -> int:
        """The code of the one REPLY that a request gets."""
        self.asked = self.us
        return self.reply_to(self.send(frame))

    def reply_to(self, seq: int) -> int:
        """Waits for the REPLY to a request that has just been put on the line; its code."""
        for _ in range(round(LONGEST_ANSWER * 1e6 / self.span_us)):
            for frame in self.scan():
                if isinstance(frame, Reply):
                    assert frame.seq == seq, f"an answer to {frame.seq}, expected one to {seq}"
                    self.answered = self.us
                    return frame.code
        raise AssertionError(f"no answer to request {seq} within {LONGEST_ANSWER} s")

    def of(self, kind: type[F]) -> list[F]:
        """All frames of a type that came since the reset."""
        return [heard.frame for heard in self.heard if isinstance(heard.frame, kind)]

    def status(self) -> Status:
        """The newest STATUS, once every change has had its time to show."""
        self.run(STATUS_SOON)
        return self.of(Status)[-1]

    def trip(self) -> Trip:
        return self.status().trip

    def finish(self) -> None:
        """Lets the device answer what it owes, and makes sure that it owes nothing."""
        self.run(0.02)
        assert not self._waiting, f"no REPLY to requests {self._waiting}"

    # Levels

    def channel(self, role: int) -> int:
        """The index of the channel with a role."""
        index = [k for k, a in enumerate(self.identity.analog) if a.role == role]
        assert index, f"the device has no channel of role {role}"
        return index[0]

    def set(self, role: int, volts: float) -> None:
        """Sets the level of a channel from the next scan on."""
        self.volts[self.channel(role)] = volts

    def open(self, which: Input) -> None:
        self.inputs &= ~which

    def shut(self, which: Input) -> None:
        self.inputs |= which
