"""Text lines without any I/O: pieces of a line in, events out; the same events however the bytes were cut."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from drivers.block import Block, DeviceReset, Event, Identity, LinkCounts
from drivers.text_lines_header import TICK_HZ, HeaderError, Layout, is_header, read_header
from drivers.text_lines_known import GAP, Known, State, identity_of, period_of
from drivers.text_lines_row import Place, Row, counted_on, first_place, newest_edge, passed, row_of

LONGEST = 1024
"""Bytes of a line, at most; what is longer is no line of a table."""
LEARN_S, LEARN_ROWS = 0.5, 5
"""So long, and over so many lines, the time column is watched to find out how often the board prints …"""
SLOW_S, SLOW_ROWS = 2.0, 3
"""… or so long, where it prints slowly; …"""
MOST_ROWS, STILL_ROWS = 1000, 100
"""… at most over so many lines, and over fewer where it does not rise at all."""
BLOCK_S = 0.05
"""A block holds the scans of so long, the length of a step."""
EARLY_OR_LATE = 10_000
"""Ticks by which the time of an edge may lie outside the two lines that it came between, on top of two usual distances:
boards read their clock before or after they print. Common practice, no source."""
MOST_PIECES = 4000
"""Lines that a block or the learning may be kept open by, when none of them is a scan."""


class Splitter:
    """Cuts bytes into pieces: lines with the CR or LF that ends them, or `LONGEST` bytes of what is no line."""

    def __init__(self) -> None:
        self._rest = b""

    def feed(self, data: bytes) -> list[bytes]:
        """The pieces that are whole now."""
        pieces, begin, data = [], 0, self._rest + data
        while begin < len(data):
            ends = [at for mark in b"\n\r" if (at := data.find(mark, begin, begin + LONGEST)) >= 0]
            if not ends and len(data) - begin < LONGEST:
                break
            end = min(ends) + 1 if ends else begin + LONGEST
            pieces.append(data[begin:end])
            begin = end
        self._rest = data[begin:]
        return pieces


class TextDecoder:
    """Takes pieces of one line, one after the other. Nothing in them raises.

    `given` is a header from elsewhere; then those on the line say nothing. `trouble` is what was wrong last with a
    header, a time or an edge. A decoder made with the `state` of another one's `mark`, and given the pieces since
    then, goes on as that one does.
    """

    def __init__(
        self, device_id: str, given: Layout | None = None, counts: LinkCounts | None = None, state: State | None = None
    ) -> None:
        self.device_id, self.given = device_id, given
        self.counts = LinkCounts() if counts is None else counts
        self.trouble = ""
        self._state = state or self._anew(None)
        self._place = self._state.place
        self._missing = 0
        self._rows: list[tuple[Row, Place]] = []
        self._learnt: list[tuple[Row, bytes]] = []
        self._begun, self._pieces = self._state, list[bytes]()

    def _anew(self, known: Known | None) -> State:
        return State(known=known, layout=self.given, learning=self.given is not None)

    @property
    def identity(self) -> Identity | None:
        """What is known of the board; None until its rate was found out."""
        return None if self._state.known is None else self._state.known.identity

    @property
    def mark(self) -> tuple[State, list[bytes], int]:
        """A state, and the pieces since then, of which the first so many lead to where this decoder stands now."""
        return self._begun, self._pieces, len(self._pieces)

    def lost(self) -> None:
        """The line went away: what comes next begins somewhere."""
        self._enter(self._anew(self._state.known))

    def take(self, piece: bytes) -> list[Event]:
        """The events that a piece gives."""
        self._pieces.append(piece)
        ended, was = piece.endswith((b"\n", b"\r")), self._state.overlong
        events: list[Event] = []
        if was or not ended:
            self.counts.bad += not was
            self._state = replace(self._state, overlong=not ended)
        else:
            events = self._line(piece)
        if len(self._pieces) > MOST_PIECES:
            events += self._close()
            self._learnt.clear()
        if not self._rows and not self._learnt:
            self._begin()
        return events

    def _begin(self, *pieces: bytes) -> None:
        """All that was before these pieces is in the state."""
        self._begun, self._pieces = self._state, list(pieces)

    def _enter(self, state: State, *pieces: bytes) -> None:
        self._state, self._place, self._missing = state, state.place, 0
        self._learnt.clear()
        self._rows.clear()
        self._begin(*pieces)

    # Lines.

    def _line(self, piece: bytes) -> list[Event]:
        line = piece.decode(errors="replace").strip()
        if not line or line.startswith("#"):
            return []
        if is_header(line):
            return self._header(line)
        layout = self._state.layout
        if layout is None:
            self.counts.unknown += 1
            return []
        row = row_of(line, layout)
        if row is None:
            self.counts.bad += 1
            return []
        self.counts.frames += 1
        return self._learn(row, piece) if self._state.learning else self._scan(row, piece)

    def _header(self, line: str) -> list[Event]:
        if self.given is not None:
            return []
        try:
            layout = read_header(line)
        except HeaderError as error:
            self.trouble = str(error)
            self.counts.bad += 1
            layout = None
        if layout is not None and layout == self._state.layout:
            return []
        events = self._close()
        self._enter(State(self._state.known, layout, learning=layout is not None, why="its header has changed"))
        return events

    # The rate.

    def _learn(self, row: Row, piece: bytes) -> list[Event]:
        if self._learnt and row.tick < self._learnt[-1][0].tick:
            self._learnt.clear()
            self._begin(piece)
        self._learnt.append((row, piece))
        rows, span = len(self._learnt), (row.tick - self._learnt[0][0].tick) / TICK_HZ
        fast, slow = span >= LEARN_S and rows >= LEARN_ROWS, span >= SLOW_S and rows >= SLOW_ROWS
        still = rows >= STILL_ROWS and span == 0.0
        if not (fast or slow or still or rows >= MOST_ROWS):
            return []
        period = period_of([read.tick for read, _ in self._learnt])
        if period > 0.0:
            return self._found_out(period, tuple(self._learnt))
        self._learnt.clear()
        self.trouble = "column time: expected it to rise from line to line, found it mostly still; print more digits"
        return []

    def _found_out(self, period: float, learnt: Sequence[tuple[Row, bytes]]) -> list[Event]:
        state, layout = self._state, self._state.layout
        assert layout is not None, "rows are read by a layout"
        boot = 0 if state.known is None else state.known.identity.boot + 1
        digits = [min(column) for column in zip(*(row.digits for row, _ in learnt), strict=True)]
        identity = identity_of(self.device_id, boot, layout, period, digits)
        self.trouble = ""
        self._enter(State(Known(layout, period, identity), layout))
        events: list[Event] = [identity]
        if state.known is not None:
            self.counts.resets += 1
            events = [DeviceReset(identity, state.why or "the line was lost meanwhile")]
        for row, piece in learnt:
            self._pieces.append(piece)
            events += self._scan(row, piece)
        return events

    # Scans.

    def _scan(self, row: Row, piece: bytes) -> list[Event]:
        known, before = self._state.known, self._place
        assert known is not None, "scans come once the rate is known"
        slack = EARLY_OR_LATE + round(2 * known.period)
        if before is None:
            return self._add(row, first_place(row, slack))
        on = passed(before, row)
        if on is None:
            return self._restart(row, piece, f"its time ran backwards, from {_shown(before.raw)} to {_shown(row.tick)}")
        if on == 0:
            self.counts.repeated += 1
            return []
        more = counted_on(before, row, on)
        if more is None:
            return self._restart(row, piece, f"its edge count ran backwards, from {before.raw_edges} to {row.edges}")
        tick, newest = before.tick + on, before.last_edge
        if more:
            found = newest_edge(before, row, tick, slack)
            if found is None:
                return self._of_another_clock(row)
            newest = found
        missing = max(1, round(on / known.period) - 1) if on > GAP * known.period else 0
        events = self._close() if missing else []
        if missing:
            self._missing = missing
            self.counts.scans_missing += missing
            self._begin(piece)
        place = Place(tick, before.index + 1 + missing, before.edges + more, newest, row.tick, row.edges)
        return events + self._add(row, place)

    def _of_another_clock(self, row: Row) -> list[Event]:
        self.counts.frames -= 1
        self.counts.bad += 1
        self.trouble = (
            "column last_edge: expected a new time for new edges, between that of its line and of the line before, by "
            f"the same clock; found {_shown(row.last_edge)} at {_shown(row.tick)}; mend what the board prints"
        )
        return []

    def _restart(self, row: Row, piece: bytes, why: str) -> list[Event]:
        events = self._close()
        self._enter(replace(self._state, place=None, learning=True, why=why), piece)
        self._learnt.append((row, piece))
        return events

    def _add(self, row: Row, place: Place) -> list[Event]:
        known = self._state.known
        assert known is not None, "scans come once the rate is known"
        self._rows.append((row, place))
        self._place = place
        self.counts.scans += 1
        if (place.index + 1) % max(1, int(BLOCK_S * known.identity.sample_hz)):
            return []
        return self._close()

    def _close(self) -> list[Event]:
        """The block that is open, if one is."""
        known, rows, self._rows = self._state.known, self._rows, []
        if not rows or known is None:
            return []
        first, last = rows[0][1], rows[-1][1]
        factor, offset = np.array([(column.factor, column.offset) for column in known.layout.analog]).T
        counted = known.layout.pulse is not None
        block = Block(
            boot=known.identity.boot,
            tick=first.tick,
            index=first.index,
            values=np.array([row.values for row, _ in rows]) * factor + offset,
            edges=np.array([last.edges] if counted else [], dtype=np.int64),
            last_edge=np.array([last.last_edge] if counted else [], dtype=np.int64),
            missing=self._missing,
        )
        self._missing = 0
        self._state = replace(self._state, place=last)
        self._begin()
        return [block]


def _shown(ticks: int) -> str:
    return f"{ticks / TICK_HZ:.6g} s"
