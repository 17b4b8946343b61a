"""What the host has asked and not been answered yet: repeats, deadlines, and what a newer DRIVE cancels."""

from dataclasses import dataclass, field

from drivers.link.frames import Drive, FromHost, Identify

REPEAT_AFTER = 0.25
"""Seconds without an answer until a request is sent again (contract)."""
REPEATS = 3
"""How often again (contract)."""


@dataclass(slots=True, eq=False)
class Request:
    """One request on its way. `code` is the device's answer; `unanswered` that none came in any attempt."""

    frame: FromHost
    repeats_left: int
    due: float
    first_sent: float
    seqs: list[int] = field(default_factory=list)
    code: int | None = None
    unanswered: bool = False

    @property
    def settled(self) -> bool:
        return self.code is not None or self.unanswered


class Pending:
    """The requests under way. Times are seconds on the caller's clock."""

    def __init__(self) -> None:
        self._requests: list[Request] = []

    def __bool__(self) -> bool:
        return bool(self._requests)

    def add(self, frame: FromHost, now: float, *, repeated: bool) -> Request:
        """A request about to be sent for the first time. A DRIVE takes their repeats from all older ones."""
        if isinstance(frame, Drive):
            for older in self._requests:
                if isinstance(older.frame, Drive):
                    older.repeats_left = 0
        request = Request(frame, REPEATS if repeated else 0, now + REPEAT_AFTER, now)
        self._requests.append(request)
        return request

    def holds(self, kind: type[FromHost]) -> bool:
        return any(isinstance(request.frame, kind) for request in self._requests)

    def answer(self, seq: int, code: int) -> None:
        """A REPLY to any attempt settles its request; one to nothing that is under way means nothing any more."""
        for request in self._requests:
            if seq in request.seqs:
                request.code = code
                self._requests.remove(request)
                return

    def identified(self) -> None:
        """IDENTITY settles every IDENTIFY."""
        for request in [r for r in self._requests if isinstance(r.frame, Identify)]:
            request.code = 0
            self._requests.remove(request)

    def drop_all(self) -> None:
        """A device that has restarted knows nothing of what it was asked."""
        for request in self._requests:
            request.unanswered = True
        self._requests.clear()

    def due(self, now: float) -> tuple[list[Request], list[Request]]:
        """What is to be sent again now, and what has been given up."""
        again, given_up = [], []
        for request in [r for r in self._requests if r.due <= now]:
            if request.repeats_left:
                request.repeats_left -= 1
                request.due = now + REPEAT_AFTER
                again.append(request)
            else:
                request.unanswered = True
                self._requests.remove(request)
                given_up.append(request)
        return again, given_up

    def deadline(self) -> float | None:
        return min((request.due for request in self._requests), default=None)
