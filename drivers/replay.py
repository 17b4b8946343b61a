"""A recording as a device: the same bytes read in the same way, as fast as can be."""

import asyncio
from collections.abc import AsyncIterator, Callable, Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from drivers.block import Block, Capture, Event, Identity, Link, LinkChange, LinkCounts, Replayed, Status
from drivers.device import Address, AddressError, LimitEntry, NotFittedError, Reply
from drivers.link.deframer import Deframer
from drivers.link.frames import Layout
from drivers.link.session import Session
from drivers.recording import Cut, End, Entry, Header, Note, RecordingError, link_change, read_recording
from drivers.text_lines_replay import RECORDED, TextReader

MOST_SCANS = 1 << 16
"""Scans in a frame, at most, and far more than there can be."""
PORTION = 4096
"""Bytes of an entry that are read together: a spoilt entry of 16 MB may hold a piece in each second byte."""
BREATHE_EVERY = 64
"""Entries, or portions of one, between two pauses in which other tasks get their turn; a pause costs as much as reading
some entries."""


class Reader(Protocol):
    """What makes events of recorded bytes. `first` are those that were being told when the recording began."""

    first: list[Event]

    @property
    def identity(self) -> Identity: ...

    @property
    def status(self) -> Status | None: ...

    def read(self, data: bytes) -> Iterator[tuple[bytes, list[Event]]]:
        """Each piece that stood on the line, and the events that it gives."""
        ...

    def lost(self) -> None:
        """A line that went down was opened anew afterwards, with nothing known but who was there before."""
        ...


class ReplayDevice:
    """A device that says again what a recorded one said; nothing can be asked of it.

    `header` is that of the recording. Time is in the samples alone.
    """

    simulated = True
    virtual = True

    def __init__(self, address: Address, path: Path) -> None:
        self.address = address
        self.tap: Callable[[bytes], None] | None = None
        self.counts = LinkCounts()
        self._path = path
        self._entries = read_recording(path)
        self._closed = False
        first = next(self._entries)
        if not isinstance(first, Header):
            raise RecordingError(f"recording {path}: stops before its header; there is nothing to replay")
        self.header: Mapping[str, Any] = first.body
        self._reader = self._made_reader()

    def _made_reader(self) -> Reader:
        if RECORDED not in self.header:
            return _LinkReader(self.header, self.counts, self._path)
        try:
            return TextReader(self.header[RECORDED], self.counts)
        except (KeyError, TypeError, ValueError) as error:
            raise _bad_header(self._path, RECORDED, "what recording_header() gave", str(error)) from error

    @property
    def identity(self) -> Identity:
        return self._reader.identity

    @property
    def status(self) -> Status | None:
        return self._reader.status

    async def events(self) -> AsyncIterator[Event]:
        for event in self._reader.first:
            yield event
        for number, entry in enumerate(_portions(self._entries)):
            if self._closed:
                return
            if number % BREATHE_EVERY == 0:
                await asyncio.sleep(0)
            for event in self._wire(entry) if isinstance(entry, bytes) else self._other(entry):
                yield event

    def _wire(self, data: bytes) -> Iterator[Event]:
        for wire, events in self._reader.read(data):
            if self.tap is not None:
                self.tap(wire)
            yield from events

    def _other(self, entry: Entry) -> Iterator[Event]:
        if isinstance(entry, Note):
            change = link_change(entry)
            if change is None:
                yield Replayed(entry.kind, entry.body)
            else:
                if change.link is Link.DOWN:
                    self._reader.lost()
                yield change
        elif isinstance(entry, Cut):
            yield LinkChange(
                Link.DOWN,
                f"recording {self._path}: cut short at byte {entry.offset} ({entry.reason}); what came before is whole",
            )
        elif not isinstance(entry, End):
            raise RecordingError(f"recording {self._path}: an entry {entry!r} where none can be")

    def recording_header(self) -> None:
        """A replay is not recorded again; its recording is there."""
        return None

    async def drive(self, *, power: bool, valve: int | None, supply_mv: int | None, lease_ms: int) -> Reply:
        raise self._not_fitted("drive")

    async def limits(self, blank_ms: int, max_on_s: int, entries: Sequence[LimitEntry]) -> Reply:
        raise self._not_fitted("limits")

    async def capture(self, role: int, rate_hz: int, total: int) -> Capture:
        raise self._not_fitted("capture")

    async def clear(self) -> Reply:
        raise self._not_fitted("clear")

    def _not_fitted(self, what: str) -> NotFittedError:
        return NotFittedError(f"{self.address.text}: {what}: a recording cannot be told to do anything")

    async def close(self) -> None:
        self._closed = True


def _portions(entries: Iterable[Entry]) -> Iterator[Entry]:
    for entry in entries:
        if isinstance(entry, bytes):
            yield from (entry[begin : begin + PORTION] for begin in range(0, len(entry), PORTION))
        else:
            yield entry


class _LinkReader:
    """The stand link, as it was spoken."""

    def __init__(self, header: Mapping[str, Any], counts: LinkCounts, path: Path) -> None:
        self.first: list[Event] = []
        self._header, self._counts, self._path = header, counts, path
        self._first_identity = self._read_identity()
        self._deframer = Deframer(Layout.of(self._first_identity))
        self._session = Session(0.0, counts, self._first_identity)
        self._resume()

    @property
    def identity(self) -> Identity:
        return self._session.identity or self._first_identity

    @property
    def status(self) -> Status | None:
        return self._session.status

    def _read_identity(self) -> Identity:
        try:
            wire = bytes.fromhex(self._header["identity_frame"])
        except (KeyError, TypeError, ValueError) as error:
            expected = "the bytes of a frame in hex"
            raise _bad_header(self._path, "identity_frame", expected, str(error)) from error
        pieces = Deframer(opened=False).feed(wire)
        if len(pieces) != 1 or not isinstance(pieces[0].frame, Identity):
            raise _bad_header(self._path, "identity_frame", "one IDENTITY frame", wire.hex(" "))
        return pieces[0].frame

    def _resume(self) -> None:
        """Goes on counting where the recorded device stood when the recording began."""
        point = self._header.get("resume")
        if point is None:
            return
        try:
            wire = bytes.fromhex(point["frame"])
            block = _block_before(point, self._first_identity)
            self._session.continue_after(block)
        except (KeyError, TypeError, ValueError) as error:
            raise _bad_header(self._path, "resume", "what recording_header() gave", str(error)) from error
        self._deframer = Deframer(Layout.of(self._first_identity), opened=False)
        self._deframer.feed(wire)

    def read(self, data: bytes) -> Iterator[tuple[bytes, list[Event]]]:
        for piece in self._deframer.feed(data):
            # What was asked stands in no recording: a host that asked twice got two IDENTITYs of one boot. A reset
            # shows by its boot; one that does not was noted by whoever recorded it.
            self._session.expect_identity()
            yield piece.wire, self._session.handle(piece, 0.0)

    def lost(self) -> None:
        self._deframer = Deframer(self._deframer.layout)
        self._session = Session(0.0, self._counts, self._session.identity)


def _bad_header(path: Path, key: str, expected: str, found: str) -> RecordingError:
    return RecordingError(f"recording {path}, header, {key}: expected {expected}, found {found}")


def _block_before(point: Mapping[str, Any], identity: Identity) -> Block:
    """The Block before the recording, as far as it matters for counting; its values are gone.

    Raises:
        KeyError, TypeError, ValueError: a recording has no such point.
    """
    counters = len(identity.pulse)
    return Block(
        boot=_whole(point["boot"]),
        tick=_whole(point["tick"]),
        index=_whole(point["index"]),
        values=np.zeros((_whole(point["n"], 1, MOST_SCANS), len(identity.analog)), dtype=np.int16),
        edges=_row(point["edges"], counters),
        last_edge=_row(point["last_edge"], counters),
    )


def _row(values: Any, n: int) -> NDArray[np.int64]:
    if not isinstance(values, list) or len(values) != n:
        raise ValueError(f"expected {n} counters, found {str(values)[:40]}")
    return np.array([_whole(value, -1) for value in values], dtype=np.int64)


def _whole(value: Any, least: int = 0, most: int = 1 << 62) -> int:
    if not isinstance(value, int) or not least <= value <= most:
        raise ValueError(f"expected a whole number from {least} to {most}, found {str(value)[:40]}")
    return value


async def open_replay(address: Address) -> ReplayDevice:
    """`replay:///path/to/recording`.

    Raises:
        AddressError: it has options, or no path.
        RecordingError: there is no such file, or it is no recording.
    """
    if address.options or not address.place:
        raise AddressError(f"device address {address.text!r}: expected replay:///PATH without options")
    return ReplayDevice(address, Path(address.place))
