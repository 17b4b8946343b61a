"""How long the raw counts of a channel have not changed at all: a converter on a live signal seldom repeats itself."""

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray


class Standstill:
    """Takes blocks of counts one after the other. `places` says where a channel stands among the block's columns."""

    def __init__(self, places: Mapping[int, int], width: int) -> None:
        self._places = tuple(places.items())
        self._last: dict[int, int] = {}
        self._scans = [0] * width

    def feed(self, counts: NDArray[np.int16] | NDArray[np.float64]) -> tuple[int, ...]:
        """Scans without a change up to the end of these counts `[n, channels]`, by channel; 0 for one not looked at.

        A change within a block counts as one at its end, so that a standstill is told up to a block too short.
        """
        n, first, last = counts.shape[0], counts[0].tolist(), counts[-1].tolist()
        for channel, k in self._places:
            # Nearly every block of a live signal is done with here.
            if first[k] == last[k] == self._last.get(channel) and (counts[:, k] == last[k]).all():
                self._scans[channel] += n
            else:
                self._scans[channel] = 0
            self._last[channel] = last[k]
        return tuple(self._scans)
