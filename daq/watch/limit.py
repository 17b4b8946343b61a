"""How often a log may say the same."""

from collections.abc import Callable, Hashable
from dataclasses import dataclass
from typing import Generic, TypeVar

Kind = TypeVar("Kind", bound=Hashable)


@dataclass(slots=True)
class _Window:
    began: float
    told: int = 0
    kept_back: int = 0


class Limit(Generic[Kind]):
    """Lets `most` entries of one kind through in `seconds`, and counts the rest. `clock` gives seconds."""

    def __init__(self, clock: Callable[[], float], most: int = 20, seconds: float = 60.0) -> None:
        self._clock, self._most, self._seconds = clock, most, seconds
        self._windows: dict[Kind, _Window] = {}

    def take(self, kind: Kind) -> bool:
        """Whether an entry of this kind may be written now."""
        now = self._clock()
        window = self._windows.get(kind)
        if window is None or (now - window.began >= self._seconds and not window.kept_back):
            window = self._windows[kind] = _Window(now)
        if window.told < self._most:
            window.told += 1
            return True
        window.kept_back += 1
        return False

    def over(self) -> list[tuple[Kind, int]]:
        """Kinds whose time is over, with how many of each were kept back; what comes from now on is let through."""
        now = self._clock()
        ended = {kind: w for kind, w in self._windows.items() if now - w.began >= self._seconds}
        for kind in ended:
            del self._windows[kind]
        return [(kind, window.kept_back) for kind, window in ended.items() if window.kept_back]
