"""The device's clock against the computer's, while blocks come: what the device's own blocks cannot show.

A block comes when it was sent, or later. So the quickest block of some seconds shows how the two clocks stand to each
other, whatever the others waited for, and the way that goes over time is the difference of their rates.
"""

from collections import deque

from daq.measure.clock import DO, NAME
from daq.measure.references import Disagreement
from drivers.device import Device

WINDOW_S = 5.0
"""The quickest block of so long is looked at: a computer that stands still for less is not seen in it."""
KEPT = 120
"""Windows that are remembered, 10 minutes."""
BACKLOG_S = 0.25
"""What comes in the first moments may have waited for its reader."""
STRAY_S = 0.02
"""Even the quickest block of a window may come so much later than another's. Common practice, no source."""


def keeps_wall_time(device: Device) -> bool:
    """Tells whether a device's seconds are those of the wall: a replay's and a simulation's are their own."""
    return not (device.virtual or device.simulated)


class ClockWatch:
    """Follows one boot of a device. `found` is set while its clock runs from the computer's by more than the share
    `tolerance`."""

    def __init__(self, tolerance: float) -> None:
        self._tolerance = tolerance
        self._first: float | None = None
        self._begun = 0.0
        self._quickest: tuple[float, float] | None = None
        self._windows: deque[tuple[float, float]] = deque(maxlen=KEPT)
        self.found: Disagreement | None = None

    def feed(self, device: float, host: float) -> None:
        """Takes a block whose last scan was at `device` seconds and that came at `host` seconds, each by its clock."""
        if self._first is None:
            self._first = host
        if host < self._first + BACKLOG_S:
            return
        if self._quickest is None:
            self._begun = device
        late = host - device
        if self._quickest is None or late < self._quickest[1]:
            self._quickest = device, late
        if device - self._begun >= WINDOW_S:
            self._compare(*self._quickest)
            self._windows.append(self._quickest)
            self._quickest = None

    def _compare(self, device: float, late: float) -> None:
        self.found = None
        for before, was in self._windows:
            seconds, apart = device - before, was - late
            if abs(apart) > self._tolerance * seconds + STRAY_S:
                text = (
                    f"expected the computer's clock within {self._tolerance:.1%}, found {apart / seconds:+.2%} over "
                    f"{seconds:.0f} s"
                )
                self.found = Disagreement(NAME, ("flow", "times"), text, DO)
                return
