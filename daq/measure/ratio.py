"""The R-statistic of Cao and Rhinehart: a variance found in two ways, from a filtered mean and from differences."""


class Ratio:
    """R = (2 − λ1)·ν²/δ², about 1 for independent noise around a constant, above it where the signal moves.

    S. Cao, R. R. Rhinehart, J. Process Control 5 (1995) 363. `hidden` is the variance that the resolution hides; it is
    added to both variances, so that a signal that never leaves one step of the converter has R = 1. `feed` needs
    nothing but arithmetic of its values, so arrays of series may be fed as well.
    """

    def __init__(self, start: float, l1: float = 0.2, l2: float = 0.1, l3: float = 0.1, hidden: float = 0.0) -> None:
        self._l1, self._l2, self._l3 = l1, l2, l3
        self._filtered = self._last = start
        # ν² and δ² of a steady signal of variance σ² are 2σ²/(2 − λ1) and 2σ²
        self._hidden = 2.0 * hidden
        self._about_filtered = self._about_last = 0.0

    def feed(self, x: float) -> None:
        self._about_filtered += self._l2 * ((x - self._filtered) ** 2 - self._about_filtered)
        self._about_last += self._l3 * ((x - self._last) ** 2 - self._about_last)
        self._filtered += self._l1 * (x - self._filtered)
        self._last = x

    def exceeds(self, limit: float) -> bool:
        """Whether R lies above `limit`; never where there is no variance at all."""
        return self._above > limit * self._below

    @property
    def value(self) -> float:
        """R; ZeroDivisionError where there is no variance at all."""
        return self._above / self._below

    @property
    def _above(self) -> float:
        return (2.0 - self._l1) * self._about_filtered + self._hidden

    @property
    def _below(self) -> float:
        return self._about_last + self._hidden
