"""The recording: what stood on the line, and what was done meanwhile, in one file that only ever grows.

A file begins with MAGIC and goes on in entries: `length u32 | kind u8 | head u16 | payload | check u32`, little endian.
`head` is CRC-16/IBM-3740 over length and kind, so that a damaged length is told from a file cut short; `check` is
CRC-32/ISO-HDLC (that of zlib) over kind and payload. Kinds: 1 header (JSON), 2 wire bytes, 3 note (JSON with `kind` and
`body`), 4 end (JSON). The header comes first, the end last; a file without an end was cut short. JSON is UTF-8.
"""

import hashlib
import json
import os
import struct
import zlib
from binascii import crc_hqx
from collections.abc import Iterator
from dataclasses import dataclass
from enum import IntEnum
from pathlib import Path
from typing import BinaryIO

from drivers.block import Block, Link, LinkChange
from drivers.device import DriverError

MAGIC = b"\x89steadyrec\r\n\x1a\x01"
"""A byte that is no text, a name, line ends that a careless copy would change, and the version of the format: 1."""
MOST = 1 << 24
"""Bytes of a payload, at most; a larger length is damage."""
PIECE = 1 << 16
"""Bytes that are looked at together where a file holds no entry."""
LINK_NOTE = "link"
"""Kind of the note that stands for a LinkChange."""

_LENGTH_KIND = struct.Struct("<IB")
_HEAD = struct.Struct("<IBH")
_CHECK = struct.Struct("<I")


class RecordingError(DriverError):
    """A file that is no recording, or damaged, or cannot be written."""


class Kind(IntEnum):
    """What an entry holds."""

    HEADER = 1
    WIRE = 2
    NOTE = 3
    END = 4


@dataclass(frozen=True, slots=True)
class Header:
    """How the recording came about; always the first entry."""

    body: dict[str, object]


@dataclass(frozen=True, slots=True)
class Note:
    """What was done at this place."""

    kind: str
    body: dict[str, object]


@dataclass(frozen=True, slots=True)
class End:
    """The recording was closed in good order."""

    body: dict[str, object]


@dataclass(frozen=True, slots=True)
class Cut:
    """The file stops at `offset` without an end; everything before is sound."""

    offset: int
    reason: str


Entry = Header | bytes | Note | End | Cut
"""What a recording is read as; bytes are wire bytes."""


@dataclass(frozen=True, slots=True)
class Recorded:
    """A finished recording."""

    path: Path
    size: int
    sha256: str


def resume_point(block: Block, wire: bytes) -> dict[str, object]:
    """The header's `resume`: the newest Block and sound frame before the recording, so that counting goes on."""
    return {
        "frame": wire.hex(),
        "boot": block.boot,
        "tick": block.tick,
        "index": block.index,
        "n": block.n,
        "edges": block.edges.tolist(),
        "last_edge": block.last_edge.tolist(),
    }


class RecordingWriter:
    """Writes a new recording. Each entry is handed to the system at once, so that a kill of the process loses none;
    only `close` waits for the disk.

    Raises:
        RecordingError: the file exists already, or cannot be written.
    """

    def __init__(self, path: Path, header: dict[str, object]) -> None:
        self.path = path
        self.size = 0
        self._digest = hashlib.sha256()
        try:
            self._file: BinaryIO | None = path.open("xb", buffering=0)
        except OSError as error:
            raise RecordingError(f"recording {path}: cannot be created ({error.strerror}); check the folder") from error
        self._write(MAGIC)
        self._entry(Kind.HEADER, _json(header))

    def wire(self, data: bytes) -> None:
        """Bytes as they stood on the line."""
        self._entry(Kind.WIRE, data)

    def note(self, kind: str, body: dict[str, object]) -> None:
        """What an operator or the daemon did now."""
        self._entry(Kind.NOTE, _json({"kind": kind, "body": body}))

    def link(self, change: LinkChange) -> None:
        """The line changed, which no wire byte tells."""
        self.note(LINK_NOTE, {"link": change.link.name, "reason": change.reason})

    def close(self, end: dict[str, object]) -> Recorded:
        """Writes the end and waits until all is on the disk, the file's name included."""
        self._entry(Kind.END, _json(end))
        file, self._file = self._opened(), None
        try:
            os.fsync(file.fileno())
            sync_folder(self.path.parent)
        except OSError as error:
            raise self._failed(error) from error
        finally:
            file.close()
        return Recorded(self.path, self.size, self._digest.hexdigest())

    def _entry(self, kind: Kind, payload: bytes) -> None:
        start = _LENGTH_KIND.pack(len(payload), kind)
        head = _HEAD.pack(len(payload), kind, crc_hqx(start, 0xFFFF))
        self._write(b"".join((head, payload, _CHECK.pack(_check(kind, payload)))))

    def _write(self, data: bytes) -> None:
        file = self._opened()
        try:
            written = file.write(data)
        except OSError as error:
            self._give_up(file)
            raise self._failed(error) from error
        if written != len(data):
            self._give_up(file)
            raise RecordingError(f"recording {self.path}: the disk took {written} of {len(data)} bytes; is it full?")
        self.size += len(data)
        self._digest.update(data)

    def _give_up(self, file: BinaryIO) -> None:
        """What could not be written leaves a hole: nothing may follow it."""
        self._file = None
        file.close()

    def _opened(self) -> BinaryIO:
        if self._file is None:
            raise RecordingError(f"recording {self.path}: written to after close(); begin a new one")
        return self._file

    def _failed(self, error: OSError) -> RecordingError:
        return RecordingError(f"recording {self.path}: cannot be written ({error.strerror}); is the disk full?")


def sync_folder(folder: Path) -> None:
    """Returns when the names in a folder are on the disk.

    Raises:
        OSError: they could not be brought there.
    """
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _json(body: dict[str, object]) -> bytes:
    return json.dumps(body, ensure_ascii=False, separators=(",", ":"), allow_nan=False).encode()


def _check(kind: int, payload: bytes) -> int:
    return zlib.crc32(payload, zlib.crc32(bytes((kind,))))


def read_recording(path: Path) -> Iterator[Entry]:
    """The entries in order: a Header, wire bytes and Notes, and an End, or a Cut where the file stops before that.

    Raises:
        RecordingError: it cannot be read, is no recording, or an entry is damaged.
    """
    try:
        with path.open("rb") as file:
            yield from _Reader(path, file).entries()
    except OSError as error:
        raise RecordingError(f"recording {path}: cannot be read ({error.strerror}); check the name") from error


class _Reader:
    """Entries of an open file, with the offset for messages."""

    def __init__(self, path: Path, file: BinaryIO) -> None:
        self._path = path
        self._file = file
        self._at = 0

    def entries(self) -> Iterator[Entry]:
        magic = self._file.read(len(MAGIC))
        if magic != MAGIC:
            raise self._damage(
                f"{MAGIC!r} at the beginning", repr(magic), "this is no recording, or of another version"
            )
        self._at = len(MAGIC)
        expected_first = True
        while True:
            entry = self._entry()
            if isinstance(entry, Header) != expected_first and not isinstance(entry, Cut):
                raise self._damage(
                    "one header, first of all", type(entry).__name__, "the file was put together wrongly"
                )
            expected_first = False
            yield entry
            if isinstance(entry, Cut):
                return
            if isinstance(entry, End):
                if self._file.read(1):
                    raise self._damage("nothing behind the end", "more bytes", "the file was put together wrongly")
                return

    def _entry(self) -> Entry:
        read = self._file.read
        head = read(_HEAD.size)
        if len(head) < _HEAD.size:
            return Cut(self._at, f"{len(head)} bytes where an entry should begin" if head else "no end entry")
        length, kind, check = _HEAD.unpack(head)
        if check != crc_hqx(head[: _LENGTH_KIND.size], 0xFFFF) or length > MOST:
            return self._blank_or_damaged(head)
        payload = read(length)
        tail = read(_CHECK.size)
        if len(payload) < length or len(tail) < _CHECK.size:
            return Cut(self._at, f"an entry of {length} bytes is not all there")
        expected, found = _CHECK.unpack(tail)[0], _check(kind, payload)
        if expected != found:
            raise self._damage(f"CRC {expected:08x}", f"{found:08x}", "restore the file from a copy")
        entry = payload if kind == Kind.WIRE else self._parse(kind, payload)
        self._at += _HEAD.size + length + _CHECK.size
        return entry

    def _blank_or_damaged(self, head: bytes) -> Cut:
        """A power cut may leave zeros where the system had not written yet; anything else is damage."""
        length, rest = 0, head
        while rest:
            if rest.strip(b"\0"):
                raise self._damage("the head of an entry", head.hex(" "), "restore the file from a copy")
            length += len(rest)
            rest = self._file.read(PIECE)
        return Cut(self._at, f"{length} zero bytes instead of entries")

    def _parse(self, kind: int, payload: bytes) -> Entry:
        try:
            body = json.loads(payload, parse_constant=_no_number)
            if kind == Kind.HEADER and isinstance(body, dict):
                return Header(body)
            if kind == Kind.END and isinstance(body, dict):
                return End(body)
            if kind == Kind.NOTE and isinstance(body["body"], dict):
                return Note(str(body["kind"]), body["body"])
        except (ValueError, KeyError, TypeError, RecursionError) as error:
            raise self._damage("JSON", str(error), "the file was written wrongly") from error
        raise self._damage(
            f"an entry of kinds {[int(k) for k in Kind]} with an object", f"kind {kind}", "update steadyhead"
        )

    def _damage(self, expected: str, found: str, do: str) -> RecordingError:
        return RecordingError(f"recording {self._path}, byte {self._at}: expected {expected}, found {found}; {do}")


def _no_number(name: str) -> object:
    """JSON has no NaN and no infinity, though Python reads them."""
    raise ValueError(f"{name} where a number must be")


def link_change(note: Note) -> LinkChange | None:
    """The LinkChange that a note stands for, or None if it is about something else."""
    name = note.body.get("link")
    if note.kind != LINK_NOTE or name not in Link.__members__:
        return None
    return LinkChange(Link[str(name)], str(note.body.get("reason", "")))
