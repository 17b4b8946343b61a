"""Bytes from a line, cut at their zeros, checked and read. Works for either direction; holds no clock and no port."""

from dataclasses import dataclass
from enum import Enum
from re import compile as pattern

from drivers.block import Identity
from drivers.link import cobs
from drivers.link.cobs import CobsError, crc16
from drivers.link.codec import BodyError, LayoutUnknownError, decode_body
from drivers.link.frames import LONGEST_CONTENT, Frame, Layout, Type

LONGEST_WIRE = LONGEST_CONTENT + 2
"""A frame on the line with one byte of stuffing and the zero; 250 bytes never need a second one."""
SHORTEST_CONTENT = 4
"""Type, seq and check sum."""


_ZEROS = pattern(rb"\0+")


class Trouble(Enum):
    """Why a piece of the line is no frame to act on."""

    EMPTY = "nothing between two zeros"
    PARTIAL = "rest of a frame that began before the line was opened"
    BAD_COBS = "bytes that no stuffing gives"
    BAD_CRC = "check sum does not fit"
    OVERLONG = "longer than any frame"
    TAIL = "rest of an overlong piece"
    WRONG_BODY = "body with a wrong length or impossible counts"
    UNKNOWN_TYPE = "type that the link does not know"
    REPEAT = "same bytes as the frame before"
    EARLY = "scans before any IDENTITY"


UNCOUNTED = frozenset({Trouble.EMPTY, Trouble.PARTIAL, Trouble.TAIL})
"""No error: nothing was sent, it was not for us, or it has been counted already."""
SOUND = frozenset({None, Trouble.WRONG_BODY, Trouble.UNKNOWN_TYPE, Trouble.EARLY})
"""The check sum was right and the frame new, so its seq is to be believed."""


@dataclass(frozen=True, slots=True)
class Piece:
    """What stood on the line up to and including a zero, or zeros in a row: `wire`, and what it was.

    Either `frame` is set, or `trouble` says why not. `seq` and `type` are those of a frame with a right check sum, else
    −1. `lost` is the number of frames missing before it by seq. All pieces' `wire` together are the line's bytes.
    """

    wire: bytes
    frame: Frame | None
    trouble: Trouble | None
    seq: int = -1
    lost: int = 0
    type: int = -1

    @property
    def sound(self) -> bool:
        """The check sum was right, and it is no repeat."""
        return self.trouble in SOUND


class Deframer:
    """Cuts one direction of a line into pieces; any split of the same bytes gives the same pieces, but that zeros in a
    row are one piece for each call.

    `layout` is that of the SCANS to come; an IDENTITY that comes along replaces it. `opened`: the line was opened in
    mid-stream, so bytes before its first zero may be the rest of a frame and are no error.
    """

    def __init__(self, layout: Layout | None = None, *, opened: bool = True) -> None:
        self.layout = layout
        self._buffer = b""
        self._fresh = opened
        self._skipping = False
        self._before = b""
        self._seq = -1

    def feed(self, data: bytes) -> list[Piece]:
        """The pieces that are complete now; an unfinished one waits for the next call."""
        buffer = self._buffer + data if self._buffer else data
        pieces: list[Piece] = []
        start = 0
        while True:
            if not self._skipping and (zeros := _ZEROS.match(buffer, start)):
                self._fresh = False
                start = zeros.end()
                pieces.append(Piece(zeros[0], None, Trouble.EMPTY))
            end = buffer.find(0, start, start + LONGEST_WIRE) + 1
            if end:
                pieces.append(self._close(buffer[start:end]))
            elif len(buffer) - start >= LONGEST_WIRE:
                end = start + LONGEST_WIRE
                pieces.append(self._overflow(buffer[start:end]))
            else:
                self._buffer = buffer[start:]
                return pieces
            start = end

    def _overflow(self, wire: bytes) -> Piece:
        """A stretch as long as the longest frame, without its zero: it cannot become a frame any more."""
        trouble = Trouble.PARTIAL if self._fresh else Trouble.TAIL if self._skipping else Trouble.OVERLONG
        self._skipping = True
        return Piece(wire, None, trouble)

    def _close(self, wire: bytes) -> Piece:
        fresh, skipping = self._fresh, self._skipping
        self._fresh = self._skipping = False
        if skipping:
            return Piece(wire, None, Trouble.PARTIAL if fresh else Trouble.TAIL)
        piece = self._read(wire)
        if fresh and piece.trouble in {Trouble.BAD_COBS, Trouble.BAD_CRC}:
            return Piece(wire, None, Trouble.PARTIAL)
        return piece

    def _read(self, wire: bytes) -> Piece:
        try:
            content = cobs.decode(wire[:-1])
        except CobsError:
            return Piece(wire, None, Trouble.BAD_COBS)
        if len(content) < SHORTEST_CONTENT or crc16(content[:-2]) != content[-2] | content[-1] << 8:
            return Piece(wire, None, Trouble.BAD_CRC)
        kind, seq = content[0], content[1]
        if content == self._before and kind != Type.IDENTIFY:
            return Piece(wire, None, Trouble.REPEAT, seq, 0, kind)
        # IDENTIFY restarts the count of the host's frames.
        lost = 0 if self._seq < 0 or kind == Type.IDENTIFY else (seq - self._seq - 1) & 0xFF
        self._before, self._seq = content, seq
        try:
            frame = decode_body(kind, content[2:-2], self.layout)
        except BodyError:
            return Piece(wire, None, Trouble.WRONG_BODY, seq, lost, kind)
        except LayoutUnknownError:
            return Piece(wire, None, Trouble.EARLY, seq, lost, kind)
        if frame is None:
            return Piece(wire, None, Trouble.UNKNOWN_TYPE, seq, lost, kind)
        if isinstance(frame, Identity):
            self.layout = Layout.of(frame)
        return Piece(wire, frame, None, seq, lost, kind)
