"""The pieces of a fast capture put together."""

from drivers.block import Capture
from drivers.link.frames import Burst


class Collector:
    """Collects the BURST frames of one capture; pieces of any other are passed over."""

    def __init__(self, number: int, role: int, total: int) -> None:
        self._number, self._role, self._total = number, role, total
        self._counts: dict[int, int] = {}
        self._first: Burst | None = None
        self._overrange = False

    @property
    def missing(self) -> int:
        return self._total - len(self._counts)

    def take(self, bursts: list[Burst]) -> None:
        """Takes pieces; `missing` says what is still to come."""
        for burst in bursts:
            if (burst.capture, burst.role) == (self._number, self._role):
                self._first = self._first or burst
                self._overrange |= burst.overrange
                places = range(burst.first, min(burst.first + len(burst.counts), self._total))
                self._counts.update(zip(places, burst.counts, strict=False))

    def result(self) -> Capture:
        """The whole capture.

        Raises:
            ValueError: samples are missing.
        """
        if self.missing or self._first is None:
            raise ValueError(f"capture {self._number}: {self.missing} of {self._total} samples are missing")
        counts = [self._counts[k] for k in range(self._total)]
        return Capture(self._role, self._first.rate_hz, self._first.tick, counts, self._overrange)
