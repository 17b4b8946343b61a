"""The type B doubts of each channel at a value (JCGM 100:2008, 4.3): what its configuration states, and what a run
adds."""

from collections.abc import Mapping, Sequence

from daq.measure.channels import Channels, Doubt
from daq.measure.convert import Zero
from daq.measure.references import SHUNT_TEMPERATURE, References
from daq.measure.uncertainty import ROOT_3, Component, evaluate, resolution


class Doubts:
    """Of one run's channels. `lsb` is a step of the converter, SI, and `years` the age of the calibration, each by
    channel name; `fluid` is what the unit is tested in; `zero` is the one in force; `references` are those that the
    device measures."""

    def __init__(
        self,
        channels: Channels,
        lsb: Mapping[str, float],
        years: Mapping[str, float],
        fluid: str,
        references: References | None = None,
    ) -> None:
        self._channels, self._lsb, self._years, self._fluid = channels, lsb, years, fluid
        self._references = references or References((), 1)
        self.zero = Zero.calibrated(channels)

    def of(self, channel: str, value: float, *, kelvins: float, flow: float = 0.0) -> list[Component]:
        """All of `pressure`, `flow`, `current` or `voltage` at a value, `kelvins` over the reference temperature.

        `flow` is what goes through the hose while a pressure is read.

        Raises:
            KeyError: there is no such channel.
        """
        stated = self._stated(channel, value, kelvins)
        beyond_zero = value - self._channels.pressure.at_no_output if channel == "pressure" else value
        return [
            *stated,
            *self._references.doubts(channel, value, beyond_zero),
            *{
                "pressure": lambda: self._pressure(flow),
                "flow": lambda: self._flow(value),
                "current": lambda: self._current(value),
                "voltage": lambda: [resolution(self._lsb["voltage"])],
            }[channel](),
        ]

    def _stated(self, channel: str, value: float, kelvins: float) -> Sequence[Component]:
        doubts: dict[str, tuple[Doubt, ...]] = {
            "pressure": self._channels.pressure.doubts,
            "flow": self._channels.flow.doubts,
            "current": self._channels.shunt.doubts,
            "voltage": self._channels.voltage.doubts,
        }
        return evaluate(doubts[channel], value, self._years.get(channel, 0.0), kelvins)

    def _pressure(self, flow: float) -> list[Component]:
        hose = Component.normal(
            "hose", self._channels.pressure.k_outlet_doubt, 1.0, flow * flow, common=True, about="hose"
        )
        return [resolution(self._lsb["pressure"]), self._zero(self.zero.pressure_doubt), hose]

    def _flow(self, value: float) -> list[Component]:
        """The meter's table holds for the fluid that it was made with."""
        meter = self._channels.flow
        same = not meter.fluid or not self._fluid or meter.fluid == self._fluid
        fluid = Component.rectangular(
            "another fluid", 0.0 if same else meter.other_fluid, value, common=True, about="share"
        )
        clock = clock_doubt(self._channels.clock_tolerance, value)
        step = self._lsb.get("flow", 0.0)
        return [fluid, clock, resolution(step)] if step else [fluid, clock]

    def _current(self, value: float) -> list[Component]:
        shunt = self._channels.shunt
        found = [resolution(self._lsb["current"]), self._zero(self.zero.current_doubt)]
        if SHUNT_TEMPERATURE not in self._references.names:
            per_kelvin = value * shunt.alpha
            found.append(
                Component.rectangular(
                    SHUNT_TEMPERATURE, shunt.temperature_doubt, per_kelvin, common=True, about="kelvin"
                )
            )
        return found

    def _zero(self, standard: float) -> Component:
        """A zero that was taken has the doubt of a mean; one that was not lies within the limit of a shift."""
        if self.zero.taken:
            return Component.normal("zero", standard, common=True)
        return Component.rectangular("zero", standard * ROOT_3, common=True)


def clock_doubt(tolerance: float, value: float) -> Component:
    """What a clock within its `tolerance` (a share) may do to a flow, a speed or a time of this size."""
    return Component.rectangular("device clock", tolerance, value, common=True, about="share")
