"""The valve's position as the device senses it (STATUS of the link), on a stand of either kind."""

import math

from daq.procedure.table import Valve
from drivers.block import UNKNOWN_VALVE, Feature, Identity, Status

FULL = 10_000
"""STATUS counts the position from 0 (shut) to this."""
OPEN_FROM, SHUT_TO = 0.9, 0.01
"""Shares of the travel. The last tenth of a valve's travel changes the flow of an open line by less than its tolerance;
a needle within 1 % of its travel sits on its seat, within what a position sensor tells. Common practice, no source."""


class ValveSensor:
    """Follows the STATUS of one run's device. `position` is None where the device senses none.

    `unopen_at` and `unshut_at` are the run's times (s) at which the valve was last seen not open, and last seen not
    shut; 0 and −∞ for never.
    """

    def __init__(self, identity: Identity) -> None:
        self._fitted = Feature.VALVE_SENSOR in identity.features
        self.position: Valve | None = None
        self.unopen_at = 0.0
        self.unshut_at = -math.inf

    def take(self, status: Status) -> None:
        """Takes a STATUS; its position holds until another says otherwise."""
        self.position = position_of(status) if self._fitted else None

    def feed(self, t: float) -> None:
        """A step ends at `t` seconds of the run."""
        if self.position is None:
            return
        if self.position is not Valve.OPEN:
            self.unopen_at = t
        if self.position is not Valve.SHUT:
            self.unshut_at = t


def position_of(status: Status) -> Valve | None:
    """The position in a STATUS, sensed or commanded; None where the device knows none."""
    if status.valve == UNKNOWN_VALVE:
        return None
    share = status.valve / FULL
    if share >= OPEN_FROM:
        return Valve.OPEN
    return Valve.SHUT if share <= SHUT_TO else Valve.BETWEEN
