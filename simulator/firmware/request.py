"""What the codec, which serves both ends of the line, leaves to the device: why a body is wrong, and strange flags."""

from drivers.link import cobs
from drivers.link.deframer import Piece, Trouble
from drivers.link.frames import Drive, Stream, Type

LIMITS_HEAD, LIMITS_ENTRY = 5, 9
"""Bytes of a LIMITS without entries, and of an entry."""


def right_length(piece: Piece) -> bool:
    """Whether the body of a sound request has the length that its type and its own counts give. One whose values are no
    numbers has."""
    if piece.trouble is not Trouble.WRONG_BODY:
        return True
    body = _body(piece)
    entries = body[LIMITS_HEAD - 1] if len(body) >= LIMITS_HEAD else 0
    return piece.type == Type.LIMITS and len(body) == LIMITS_HEAD + LIMITS_ENTRY * entries


def flag_good(piece: Piece) -> bool:
    """Whether the flag of a STREAM or DRIVE is 0 or 1. A DRIVE whose lease is 0 switches off whatever its flag says."""
    frame = piece.frame
    if not isinstance(frame, Stream | Drive) or (isinstance(frame, Drive) and frame.lease_ms == 0):
        return True
    return _body(piece)[0] <= 1


def _body(piece: Piece) -> bytes:
    return cobs.decode(piece.wire[:-1])[2:-2]
