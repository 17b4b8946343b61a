"""How long to wait before the next attempt: doubling, up to a cap."""


class BackOff:
    """`first`, twice that, and so on up to `cap` seconds, until `reset`."""

    def __init__(self, first: float, cap: float) -> None:
        self._first = first
        self._cap = cap
        self._next = first

    def wait(self) -> float:
        """Seconds to wait now."""
        now = self._next
        self._next = min(self._cap, 2 * now)
        return now

    def reset(self) -> None:
        self._next = self._first
