"""A pulse counter in windows: how often it counted, at which frequency, and what flow that is."""

import math

from daq.measure.channels import FlowInput
from daq.measure.flow import Flow, KTable
from daq.stand.seen import PulseSeen
from drivers.block import Block, Identity, PulseRole

BROKEN_S = 1.0
"""An interval that began so long before the window is a silence and no beginning of a frequency."""


class PulseWatch:
    """Follows one counter through the blocks of a boot. The frequency is edges over the time between edges, as a run
    takes it, so it carries no ± 1 count."""

    def __init__(self, index: int, role: int, identity: Identity) -> None:
        self._index, self._role, self._hz = index, role, identity.tick_hz
        self._begun: tuple[int, float] | None = None
        self._now: tuple[int, float] | None = None
        self._first = 0
        self._end = 0.0

    def begin(self) -> None:
        """A window begins, with the newest edge unless that is too old."""
        now = self._now
        self._first = now[0] if now else 0
        self._begun = now if now and now[0] and self._end - now[1] < BROKEN_S else None

    def feed(self, block: Block, end: float) -> None:
        """Takes the counter as it stood at a block's `end`, in seconds of the device's ticks."""
        edges, newest = int(block.edges[self._index]), int(block.last_edge[self._index]) / self._hz
        if self._now is None:
            self._first = edges
        elif self._begun is None and edges != self._now[0]:
            self._begun = edges, newest
        self._now, self._end = (edges, newest), end

    def seen(self, meter: FlowInput | None) -> PulseSeen:
        """The window so far; `meter` says what the first flow counter's pulses are worth."""
        edges, newest = self._now or (0, math.nan)
        quiet = self._end - newest if edges else None
        hertz = self._hertz()
        counts_flow = meter is not None and self._role == PulseRole.FLOW and self._now is not None
        flow = _flow(meter, hertz, quiet) if meter is not None and counts_flow else None
        return PulseSeen(self._index, self._role, edges, edges - self._first, hertz, quiet, flow)

    def _hertz(self) -> float | None:
        if self._begun is None or self._now is None or self._now[0] == self._begun[0]:
            return None
        return (self._now[0] - self._begun[0]) / (self._now[1] - self._begun[1])


def _flow(meter: FlowInput, hertz: float | None, quiet: float | None) -> Flow | None:
    """By the meter's table; nothing but a bound where it stands still, nothing at all before that is sure."""
    table = KTable.of(meter.k_table)
    if quiet is None or quiet >= meter.silence:
        return Flow(math.nan, 0.0, max(1.0 / (meter.silence * table.pulses[0]), meter.stall_flow), silent=True)
    return None if hertz is None else table.flow(hertz)
