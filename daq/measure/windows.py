"""Windows of several lengths over the newest points of a series, all of them kept up point by point."""

from daq.measure.line import Fit, SlidingLine

_JITTER_S = 1e-6


class Windows:
    """Windows that end at the newest point: number k covers `lengths[k]` seconds with at least `fewest` points, so that
    a slow source gets longer ones. Lengths rise."""

    def __init__(self, lengths: tuple[float, ...], fewest: int) -> None:
        self.lengths, self._fewest = lengths, fewest
        self.line = SlidingLine()
        self.clear()

    def clear(self) -> None:
        self.line.clear()
        self.starts = [0] * len(self.lengths)

    def push(self, t: float, x: float, most: float) -> None:
        """Takes a point, and moves the beginning of each window on as far as it still covers what it must. No window
        counts that is longer than `most` seconds."""
        line, starts = self.line, self.starts
        line.push(t, x)
        last = line.oldest + len(line) - self._fewest
        start = 0
        for k, length in enumerate(self.lengths):
            if length > most:
                starts[k:] = [start] * (len(starts) - k)  # as long as the longest that counts
                break
            start = starts[k]
            if start < last:
                start = starts[k] = line.covering(start, last, length - _JITTER_S)
        line.drop_to(starts[-1])

    @property
    def end(self) -> int:
        """The number that the next point gets."""
        return self.line.oldest + len(self.line)

    def spans(self, k: int, most: float) -> bool:
        """Whether there are points for the whole of window k, and it is no longer than `most` seconds."""
        span = self.line.span_from(self.starts[k])
        return len(self.line) >= self._fewest and self.lengths[k] - _JITTER_S <= span <= most + _JITTER_S

    def fit(self, k: int) -> Fit:
        return self.line.fit(self.starts[k])

    def slope(self, k: int) -> float:
        return self.line.slope(self.starts[k])

    def newest(self, points: int, seconds: float) -> int:
        """The number from which on there are the newest `points`, and at least `seconds` of them."""
        line = self.line
        first = max(self.end - points, line.oldest)
        while first > line.oldest and line.span_from(first) < seconds - _JITTER_S:
            first -= 1
        return first
