"""Troubles that come and go: told once when they begin or change, and once when they are over."""

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum


class Code(StrEnum):
    """What a notice is about."""

    BROKER = "broker"
    PUBLISH_REFUSED = "publish_refused"
    OUTBOX = "outbox"
    SUBSCRIBE_REFUSED = "subscribe_refused"
    COMMAND = "command"
    LOOP_LAG = "loop_lag"


@dataclass(frozen=True, slots=True)
class Notice:
    """For the log and the people: `active` is False when the trouble is over. The text says what to do."""

    code: Code
    active: bool
    text: str


Notify = Callable[[Notice], None]


class Notices:
    """Remembers which troubles are active, so that a trouble that stays is not told every second."""

    def __init__(self, notify: Notify) -> None:
        self._notify = notify
        self._active: dict[Code, str] = {}

    def trouble(self, code: Code, text: str) -> None:
        """Tells a trouble that is new or reads differently."""
        if self._active.get(code) != text:
            self._active[code] = text
            self._notify(Notice(code, active=True, text=text))

    def over(self, code: Code, text: str) -> None:
        """Tells that a trouble is over, if there was one."""
        if self._active.pop(code, None) is not None:
            self._notify(Notice(code, active=False, text=text))

    def once(self, code: Code, text: str) -> None:
        """Tells something that does not last."""
        self._notify(Notice(code, active=False, text=text))
