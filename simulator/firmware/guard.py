"""What keeps the pump's power off: lease, limits, inputs, trips."""

from collections.abc import Iterator, Sequence

from drivers.block import AnalogInput, Input, Role, Trip
from drivers.link.codec import limits_crc
from drivers.link.frames import Limits

PRESSURES = frozenset({Role.PRESSURE, Role.SECOND_PRESSURE})
SHUNTS = frozenset({Role.SHUNT, Role.SHUNT_WIDE})
INPUT_TRIPS = (
    (Input.STOP_CIRCUIT, Trip.STOP_CIRCUIT),
    (Input.SPLASH_GUARD, Trip.SPLASH_GUARD),
    (Input.FLUID_LEVEL, Trip.FLUID_LOW),
)


class Guard:
    """Watches every scan while power is on. Ticks are the device's own and do not wrap here.

    `trip` is why power fell off by itself; it stays until `clear`.
    """

    def __init__(self, channels: Sequence[AnalogInput], tick_hz: int, fitted: Input) -> None:
        self.limits: Limits | None = None
        self.limits_crc = 0
        self.trip = Trip.NONE
        self._channels = channels
        self._tick_hz = tick_hz
        self._fitted = fitted
        self._on_since = 0
        self._lease_end = 0
        self._recent: list[Sequence[int]] = []

    def set_limits(self, limits: Limits) -> None:
        """Puts limits in the place of all earlier ones; each names a channel that is there."""
        self.limits, self.limits_crc = limits, limits_crc(limits)

    def input_open(self, inputs: Input) -> bool:
        """Whether an input that is fitted is open."""
        return bool(self._fitted & ~inputs)

    def power_on(self, tick: int, lease_ms: int, *, was_on: bool) -> None:
        """Power is on under a lease from `tick`; a lease of power that was on is renewed."""
        if not was_on:
            self._on_since = tick
            self._recent.clear()
        self._lease_end = tick + lease_ms * self._tick_hz // 1000

    def watch(self, tick: int, counts: Sequence[int], inputs: Input, *, powered: bool) -> bool:
        """Takes a scan in; True where power has to fall off now, `trip` says why."""
        self._recent = [*self._recent[-2:], counts]
        if not powered:
            return False
        self.trip = self._cause(tick, inputs)
        return self.trip is not Trip.NONE

    def _cause(self, tick: int, inputs: Input) -> Trip:
        for bit, trip in INPUT_TRIPS:
            if bit & self._fitted & ~inputs:
                return trip
        if tick >= self._lease_end:
            return Trip.LEASE
        limits = self.limits
        if limits is None:
            return Trip.NONE
        on = tick - self._on_since
        if limits.max_on_s and on >= limits.max_on_s * self._tick_hz:
            return Trip.POWER_TOO_LONG
        return next(self._passed(limits, blank=on < limits.blank_ms * self._tick_hz // 1000), Trip.NONE)

    def _passed(self, limits: Limits, *, blank: bool) -> Iterator[Trip]:
        """The trips of all limits that the median of the last three scans has passed."""
        if len(self._recent) < 3:
            return
        for entry in limits.entries:
            channel = self._channels[entry.channel]
            if blank and channel.role in SHUNTS:
                continue
            median = sorted(scan[entry.channel] for scan in self._recent)[1]
            volts = (median - channel.zero_count) * channel.volts_per_count
            if volts > entry.above or volts < entry.below:  # no volts are beyond the infinities that mean none
                yield _limit_trip(channel.role)

    def clear(self, inputs: Input) -> bool:
        """Clears the trip, unless its cause is still there: False then."""
        if self.limits is not None and self.trip in self._passed(self.limits, blank=False):
            return False
        if any(trip is self.trip and bit & self._fitted & ~inputs for bit, trip in INPUT_TRIPS):
            return False
        self.trip = Trip.NONE
        return True


def _limit_trip(role: int) -> Trip:
    if role in PRESSURES:
        return Trip.OVER_PRESSURE
    return Trip.OVER_CURRENT if role in SHUNTS else Trip.OTHER_LIMIT
