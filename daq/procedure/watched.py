"""One channel as a device watches it: limits in SI become volts at its converter, the way back from `daq.measure`."""

import math
from dataclasses import dataclass

import numpy as np

from daq.measure.convert import Map
from daq.measure.errors import MeasureError, NotFittedError
from drivers.block import AnalogInput, Identity, Role
from drivers.device import LimitEntry


class UnseenLimitError(MeasureError):
    """A limit that the device could not see passed, so that it must not get power."""


@dataclass(frozen=True, slots=True)
class Watched:
    """A channel of the device with its line to SI: quantity = `slope` × volts + `offset`, by what was found at rest."""

    index: int
    raw: AnalogInput
    slope: float
    offset: float

    @classmethod
    def of(cls, identity: Identity, role: Role, line: Map) -> "Watched":
        """The device's channel of a role, whose volts become a quantity by `line`.

        Raises:
            NotFittedError: the device has no such channel.
            UnseenLimitError: it has one that sends quantities, and no converter to watch.
        """
        k = identity.analog_index(role)
        name = role.name.lower().replace("_", " ")
        if k is None:
            raise NotFittedError(
                f"device {identity.device_id}: no channel for {name}: expected role {role.value}, found roles "
                f"{[int(a.role) for a in identity.analog]}; connect the sensor or correct the table in the firmware"
            )
        raw = identity.analog[k]
        if raw.volts_per_count == 0:
            raise UnseenLimitError(
                f"device {identity.device_id}: {name}: expected volts at a converter, found a channel without; such a "
                "device cannot watch limits, so it must not switch power"
            )
        return cls(k, raw, line.slope, line.offset)

    def volts(self, quantity: float) -> float:
        return (quantity - self.offset) / self.slope

    @property
    def ends(self) -> tuple[float, float]:
        """The lowest and highest volts that still lie half a count within what the converter can show, so that a
        converter at its end has passed them.

        IDENTITY does not say whether counts have a sign: those of 16 bits do, which i16 cannot hold otherwise.
        """
        raw = self.raw
        counts = (0, (1 << raw.bits) - 1) if raw.bits < 16 else (-32768, 32767)
        low, high = sorted((count - raw.zero_count) * raw.volts_per_count for count in counts)
        inside = 0.5 * abs(raw.volts_per_count)
        return low + inside, high - inside

    @property
    def reach(self) -> float:
        """The largest quantity whose passing can be seen."""
        low, high = self.ends
        return self.slope * (high if self.slope > 0 else low) + self.offset

    def most(self, quantity: float) -> LimitEntry:
        """Passed where the quantity is more. A falling line is passed downwards."""
        volts = self.volts(quantity)
        if self.slope > 0:
            return LimitEntry(self.index, strict(volts, -math.inf), -math.inf)
        return LimitEntry(self.index, math.inf, strict(volts, math.inf))

    def seen(self, quantity: float, name: str, factor: float, unit: str) -> LimitEntry:
        """As `most`, for a limit that must be seen passed; `factor` and `unit` are for the message.

        Raises:
            UnseenLimitError: the converter ends before.
        """
        reach = self.reach
        if quantity > reach:
            raise UnseenLimitError(
                f"channel {self.index} ({name}): expected a limit of at most {reach * factor:.5g} {unit}, where the "
                f"device's converter ends, found {quantity * factor:.5g} {unit}; lower the limit, or give the channel "
                "less gain and say so in stand.toml"
            )
        return self.most(quantity)

    def within(self, low: float, high: float) -> LimitEntry:
        """Passed where the quantity leaves a span. An end that the converter cannot show moves to what it can, unless
        that is its zero: there it stands without any signal, so that nothing can be told from it."""
        bottom, top = self.ends
        least, most = sorted((self.volts(low), self.volts(high)))
        count = abs(self.raw.volts_per_count)
        if least < bottom:
            least = -math.inf if 0 < bottom < count else bottom
        if most > top:
            most = math.inf if -count < top < 0 else top
        return LimitEntry(self.index, strict(most, -math.inf), strict(least, math.inf))


def strict(volts: float, towards: float) -> float:
    """The volts in the single precision in which they travel, rounded so that the device is never laxer than meant."""
    single = np.float32(volts)
    laxer = float(single) > volts if towards < 0 else float(single) < volts
    return float(np.nextafter(single, np.float32(towards)) if laxer else single)
