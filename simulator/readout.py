"""The sensors of a stand with a unit on it: from what the plant does to the counts of a scan or a fast capture."""

from collections.abc import Callable, Mapping, Sequence
from math import cos

import numpy as np
from numpy.typing import NDArray

from drivers.block import Role
from simulator.plant.commutation import Commutation, draw_heights
from simulator.plant.gerotor import Gerotor
from simulator.plant.plant import Plant
from simulator.plant.sensors import Channel, Flaw, Sensor
from simulator.plant.unit import Unit
from simulator.sensor_faults import ALL_CHANNELS, ANALOG, AnalogFault

Floats = NDArray[np.float64]
BY_ROLE = (Role.PRESSURE, Role.SUPPLY_VOLTAGE, Role.SHUNT, Role.FLUID_TEMPERATURE, Role.LEVEL, Role.SHUNT_WIDE)
"""The order in which a scan's quantities are at hand."""
CURRENTS = (Role.SHUNT, Role.SHUNT_WIDE)


class Readout:
    """All analog channels, in the order of the scenario's sensors. Every scan is `begin`, the plant's advance by
    `seconds`, then `read`; `overrange` has a bit for each channel that met an end of its converter in it, and `volts`
    what it was given.

    `generator` draws the humps of the motor's commutation and the noise of captures.
    """

    def __init__(
        self,
        sensors: Sequence[Sensor],
        flaws: Mapping[str, Flaw],
        unit: Unit,
        generator: np.random.Generator,
        seconds: float,
    ) -> None:
        self.overrange = 0
        self.volts = [0.0] * len(sensors)
        self._channels = [Channel(sensor, flaws[sensor.name]) for sensor in sensors]
        self._roles = [sensor.role for sensor in sensors]
        self._order = [BY_ROLE.index(role) if role in BY_ROLE else None for role in self._roles]
        self._scale = 1.0
        self._ripple = max(sensor.ripple for sensor in sensors)
        self._generator, self._seconds = generator, seconds
        self._failed: dict[int, Callable[[float, float], float]] = {}
        self._angle = self._angle_before = self._current_before = self._speed_before = 0.0
        self._heights = draw_heights(unit.motor, generator)
        self.look_at(unit)

    def look_at(self, unit: Unit) -> None:
        """The unit has changed."""
        self._commutation = Commutation(unit.motor, self._heights)
        self._pulsates = unit.pump.teeth if isinstance(unit.pump, Gerotor) else 0

    def fail(self, name: str, time: float) -> None:
        """A sensor, or what all of them are converted by, fails, where the name is that of such a fault and the sensor
        is fitted."""
        self._scale *= ALL_CHANNELS.get(name, 1.0)
        if name in ANALOG and ANALOG[name][0] in self._roles:
            k = self._roles.index(ANALOG[name][0])
            self._failed[k] = AnalogFault(name, self._channels[k].sensor, time)

    def disturb(self, role: int, spoil: Callable[[float, float], float]) -> None:
        """The volts of a channel are from now on what `spoil` makes of those that it would give, and of the time (s).

        Raises:
            ValueError: no sensor has that role.
        """
        self._failed[self._roles.index(role)] = spoil

    def begin(self, plant: Plant) -> None:
        """A scan begins."""
        self._current_before, self._speed_before = plant.current, plant.speed

    def read(self, plant: Plant, white: Sequence[float], share: float, time: float) -> list[int]:
        """Counts at the end of the scan. `white` has a standard normal number for each channel; `share` is the relative
        deviation of the first one."""
        self._angle_before = self._angle
        self._angle += 0.5 * (self._speed_before + plant.speed) * self._seconds
        volts = []
        for channel, value, normal in zip(self._channels, self._quantities(plant), white, strict=False):
            volts.append(channel.volts(value, share, normal))
            share = 0.0
        for k, fault in self._failed.items():
            volts[k] = fault(volts[k], time)
        self.volts = volts if self._scale == 1.0 else [self._scale * x for x in volts]
        return self._digits()

    def _digits(self) -> list[int]:
        counts, overrange, bit = [], 0, 1
        for channel, volts in zip(self._channels, self.volts, strict=True):
            count, over = channel.digits(volts)
            counts.append(count)
            if over:
                overrange |= bit
            bit <<= 1
        self.overrange = overrange
        return counts

    def burst(self, plant: Plant, role: int, places: Floats, time: float) -> tuple[list[int], bool]:
        """Samples of one channel within the scan just passed, at `places` (0 its start … 1 its end): counts, overrange.

        A current shows its commutation and pressure a pump's pulsation; the other channels are taken as they stand.
        White noise is that of scans.
        """
        k = self._roles.index(role)
        pairs = [self._channels[k].digits(x) for x in self._fine(plant, k, places, time).tolist()]
        return [count for count, _ in pairs], any(over for _, over in pairs)

    def _fine(self, plant: Plant, k: int, places: Floats, time: float) -> Floats:
        """Volts of a channel within the scan just passed."""
        channel = self._channels[k]
        x = self._wave(plant, k, places) - channel.sensor.quantity_zero
        white = self._generator.standard_normal(len(places))
        x += x * channel.sensor.noise * white + channel.sensor.noise_floor * white
        volts = self._scale * channel.all_volts(x)
        if k in self._failed:
            return np.array([self._failed[k](x, time) for x in volts.tolist()])
        return volts

    def pins(self) -> dict[int, float]:
        """By role, the volts at the converter's pins in the newest scan. A shunt that has no wide band of its own
        gives what it has."""
        found = {
            role: channel.sensor.converter.at_pin(volts)
            for role, channel, volts in zip(self._roles, self._channels, self.volts, strict=True)
        }
        if Role.SHUNT in found:
            found.setdefault(Role.SHUNT_WIDE, found[Role.SHUNT])
        return found

    def fine_pins(self, plant: Plant, places: Floats, time: float) -> list[float]:
        """Volts at the pin of the shunt's wide band, or of the shunt where it has none, within the scan just passed;
        empty where there is no shunt."""
        role = Role.SHUNT_WIDE if Role.SHUNT_WIDE in self._roles else Role.SHUNT
        if role not in self._roles:
            return []
        k = self._roles.index(role)
        at_pin = self._channels[k].sensor.converter.at_pin
        return [at_pin(volts) for volts in self._fine(plant, k, places, time).tolist()]

    def _quantities(self, plant: Plant) -> list[float]:
        pressure, current = plant.pressure, plant.current
        if self._pulsates:
            pressure += plant.pulsation() * cos(self._pulsates * self._angle)
        if self._ripple:
            current *= 1.0 + self._ripple * (float(self._commutation.shape(np.array(self._angle))) - 1.0)
        at_hand = (pressure, plant.terminal_volts, current, plant.fluid, plant.level, plant.current)
        return [
            channel.sensor.constant if k is None else at_hand[k]
            for k, channel in zip(self._order, self._channels, strict=True)
        ]

    def _wave(self, plant: Plant, k: int, places: Floats) -> Floats:
        """The quantity of a channel within the scan just passed."""
        angle = self._angle_before + (self._angle - self._angle_before) * places
        role = self._roles[k]
        if role in CURRENTS:
            mean = self._current_before + (plant.current - self._current_before) * places
            return mean * self._commutation.shape(angle)
        if role == Role.PRESSURE and self._pulsates:
            return plant.pressure + plant.pulsation() * np.cos(self._pulsates * angle)
        return np.full(len(places), self._quantities(plant)[k])
