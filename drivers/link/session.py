"""The host's side of the stand link: pieces and times go in; events, bytes to send and a next deadline come out."""

from dataclasses import replace

from drivers.block import Block, DeviceReset, Event, Identity, Link, LinkChange, LinkCounts, Status
from drivers.link.blocks import BlockMaker, Refused
from drivers.link.capture import Captures
from drivers.link.codec import encode
from drivers.link.deframer import UNCOUNTED, Piece, Trouble
from drivers.link.frames import Burst, FromHost, Identify, OtherProtocol, Reply, Scans, Stream
from drivers.link.requests import REPEATS, Pending, Request

SILENT_AFTER = 1.0
"""Seconds without a sound frame, while the stream is on, after which a device counts as silent. STATUS comes at least
that often by contract, SCANS twenty times."""
ANSWER_WITHIN = 1.0
"""Seconds in which an IDENTITY still counts as the answer to an IDENTIFY; the device answers in milliseconds."""
HALF_WRAP = 1 << 31

RESTARTED = "the device has restarted"
OTHERWISE = "the device describes itself otherwise than before"
COUNT_BROKEN = "the device's scan numbers, ticks or edges do not go on from where they were"


class Session:
    """One opened line to one device. `known` and `after` continue what an earlier session or a recording knew.

    Nothing that the peer sends raises. Each method takes the time in seconds on one clock that never runs backwards.
    """

    def __init__(self, now: float, counts: LinkCounts | None = None, known: Identity | None = None) -> None:
        self.counts = LinkCounts() if counts is None else counts
        self.identity = known
        self.identity_piece: Piece | None = None
        self.other_protocol: int | None = None
        self.status: Status | None = None
        self.captures = Captures()
        self.silent = False
        self._maker = BlockMaker(known) if known else None
        self._lost_identity = False
        self._heard = now
        self._looked = now  # until then all that had come was taken
        # An IDENTITY that comes before anything was known is no sign of a reset.
        self._asked_until = float("inf")
        self._stream_wanted = False
        self._pending = Pending()
        self._seq = 0
        self._out = bytearray(b"\0")  # ends whatever stood on the line

    # What the host wants

    def identify(self, now: float) -> Request:
        """Asks the device who it is; must come before anything else."""
        self._asked_until = now + ANSWER_WITHIN
        return self.request(Identify(), now)

    def stream(self, on: bool, now: float) -> Request:
        """Switches the stream; while it is wanted it is switched on again after every reset."""
        self._stream_wanted = on
        self._heard = now
        return self.request(Stream(on), now)

    def request(self, frame: FromHost, now: float, *, repeated: bool = True) -> Request:
        """Sends a request; look at the Request for its answer. `repeated` is False for a DRIVE that renews a lease."""
        request = self._pending.add(frame, now, repeated=repeated)
        self._send(request)
        return request

    def continue_after(self, block: Block) -> None:
        """Goes on counting behind a Block of this boot.

        Raises:
            ValueError: it is from another boot than the identity that the session knows.
        """
        if self.identity is None or block.boot != self.identity.boot:
            known = "none" if self.identity is None else str(self.identity.boot)
            raise ValueError(f"continue_after: a block of boot {block.boot}, expected one of boot {known}")
        self._maker = BlockMaker(self.identity, block)

    def expect_identity(self) -> None:
        """The next IDENTITY was asked for, though not through this session."""
        self._asked_until = float("inf")

    def take_output(self) -> bytes:
        """What is to be written to the line now."""
        out = bytes(self._out)
        self._out.clear()
        return out

    # Time

    def deadline(self) -> float | None:
        """When `poll` is to be called at the latest; None if nothing is due."""
        due = self._pending.deadline()
        if self._stream_wanted and not self.silent:
            quiet = self._heard + SILENT_AFTER
            return quiet if due is None else min(due, quiet)
        return due

    def poll(self, now: float) -> list[Event]:
        """Sends again what is due, and tells when the device has fallen silent. All that came before was handled."""
        self._looked = now
        again, given_up = self._pending.due(now)
        for request in again:
            self._send(request)
            if isinstance(request.frame, Identify):
                self._asked_until = now + ANSWER_WITHIN
        if self._stream_wanted and now - self._heard >= SILENT_AFTER:
            return self._fall_silent(f"no sound frame for {now - self._heard:.1f} s")
        unheard = [r for r in given_up if len(r.seqs) == 1 + REPEATS and self._heard < r.first_sent]
        if unheard:
            name = type(unheard[0].frame).__name__.upper()
            return self._fall_silent(f"no answer to {name} in {len(unheard[0].seqs)} attempts")
        return []

    # What the peer sends

    def handle(self, piece: Piece, now: float) -> list[Event]:
        """The events that one piece gives. Replies settle their requests; the last piece of a capture gives it."""
        if not piece.sound:
            self._count_bad(piece.trouble)
            return []
        counts = self.counts
        counts.frames += 1
        counts.lost += piece.lost
        events = self._notice(now)
        frame = piece.frame
        if isinstance(frame, Scans):
            return events + self._on_scans(frame, piece, now)
        if isinstance(frame, Status):
            return events + self._on_status(frame, piece, now)
        if isinstance(frame, Identity):
            return events + self._on_identity(frame, piece, now)
        if isinstance(frame, Reply):
            self._pending.answer(frame.seq, frame.code)
        elif isinstance(frame, Burst):
            return events + self._on_burst(frame)
        elif isinstance(frame, OtherProtocol):
            self.other_protocol = frame.protocol
        elif piece.trouble is not Trouble.EARLY:
            self._count_bad(piece.trouble or Trouble.UNKNOWN_TYPE)  # a frame of the other direction is as unknown
        return events

    def _on_scans(self, scans: Scans, piece: Piece, now: float) -> list[Event]:
        events = self._check_boot(scans.boot, piece, now)
        if self._lost_identity or self._maker is None:
            self.counts.scans_missing += scans.n  # of a boot that nobody has described yet
            return events
        block = self._maker.make(scans)
        if block is Refused.COUNTS:
            return events + self._restart(None, COUNT_BROKEN, now)
        if block is Refused.FRAME:
            self.counts.bad += 1
            return events
        self.counts.scans += block.n
        self.counts.scans_missing += block.missing
        events.append(block)
        return events

    def _on_status(self, status: Status, piece: Piece, now: float) -> list[Event]:
        events = self._check_boot(status.boot, piece, now)
        if self._maker is None or self._lost_identity or self.identity is None:
            return events
        status = replace(status, boot=self.identity.boot, tick=self._maker.status_tick(status.tick))
        self.status = status
        if self._stream_wanted and not status.streaming and not self._pending.holds(Stream):
            self.request(Stream(True), now)
        events.append(status)
        return events

    def _on_burst(self, burst: Burst) -> list[Event]:
        if self._maker is None or self._lost_identity:
            return []  # of a boot that nobody has described yet
        capture = self.captures.take(burst)
        return [] if capture is None else [replace(capture, tick=self._maker.status_tick(capture.tick))]

    def _on_identity(self, identity: Identity, piece: Piece, now: float) -> list[Event]:
        before = self.identity
        asked = self._looked <= self._asked_until  # it may have waited here since then
        self._pending.identified()
        events: list[Event] = []
        if before is not None and not self._lost_identity and _described(before) != _described(identity):
            self.counts.lost -= piece.lost  # seq starts anew
            return self._restart(None, OTHERWISE, now)  # one frame's word: it is asked, and the answer counts
        same = before is not None and (before.boot, before.device_id) == (identity.boot, identity.device_id)
        if before is not None and not self._lost_identity and not (asked and same):
            self.counts.lost -= piece.lost  # seq starts anew
            events = self._restart(identity, RESTARTED, now)
        if not same or self._maker is None or self._lost_identity or events:
            self._maker = BlockMaker(identity)
        self.identity, self.identity_piece = identity, piece
        if self._asked_until == float("inf"):
            self._asked_until = float("-inf")
        if (events or self._lost_identity) and self._stream_wanted:
            self.request(Stream(True), now)
        self._lost_identity = False
        return [*events, identity]

    def _check_boot(self, boot: int, piece: Piece, now: float) -> list[Event]:
        """A changed boot means a reset that told nothing yet; asks who is there, and again while nobody has said."""
        if self.identity is None:
            return []
        if self._lost_identity:
            if not self._pending.holds(Identify):
                self.identify(now)
            return []
        if boot == self.identity.boot & 0xFF:
            return []
        self.counts.lost -= piece.lost  # seq starts anew
        return self._restart(None, RESTARTED, now)

    def _restart(self, identity: Identity | None, reason: str, now: float) -> list[Event]:
        self.counts.resets += 1
        self.status = None
        self._pending.drop_all()
        self.captures.drop_all()
        if identity is None:
            self._lost_identity = True
            self.identify(now)
        return [DeviceReset(identity, reason)]

    def _notice(self, now: float) -> list[Event]:
        """A sound frame came."""
        quiet, self._heard = now - self._heard, now
        if self._maker is not None and quiet * self._maker.identity.tick_hz > HALF_WRAP:
            self._maker.mark_hole()
        if not self.silent:
            return []
        self.silent = False
        return [LinkChange(Link.UP, f"the device speaks again after {quiet:.1f} s")]

    def _fall_silent(self, reason: str) -> list[Event]:
        if self.silent:
            return []
        self.silent = True
        return [LinkChange(Link.SILENT, reason)]

    def _count_bad(self, trouble: Trouble | None) -> None:
        if trouble is Trouble.REPEAT:
            self.counts.repeated += 1
        elif trouble is Trouble.UNKNOWN_TYPE:
            self.counts.unknown += 1
        elif trouble not in UNCOUNTED:
            self.counts.bad += 1

    def _send(self, request: Request) -> None:
        request.seqs.append(self._seq)
        self._out += encode(self._seq, request.frame)
        self._seq = (self._seq + 1) & 0xFF


def _described(identity: Identity) -> Identity:
    """What a device says of itself at each boot alike."""
    return replace(identity, boot=0, reset_cause=0)
