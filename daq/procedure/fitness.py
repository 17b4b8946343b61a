"""Whether a step can be read, and telling people what keeps it from being read: each cause once a run."""

from collections.abc import Mapping
from dataclasses import dataclass

from daq.measure.convert import BITS, Column
from daq.measure.steps import Step
from daq.procedure.effects import Alarm
from daq.procedure.plan import Part
from daq.procedure.table import Valve

SUPPLY_LOW = "supply low"
SUPPLY_HIGH = "supply high"
FLUID_TEMPERATURE = "fluid temperature"
NO_PULSES, OPEN_BUT_PRESSURE = "pressure but no pulses", "pressure in an open line"
SHUT_BUT_FLOW, SHUT_NO_PRESSURE = "flow with the valve shut", "shut, but no pressure"
CONTRADICTIONS = frozenset({NO_PULSES, OPEN_BUT_PRESSURE, SHUT_BUT_FLOW, SHUT_NO_PRESSURE})
"""Signals that speak against a confirmed valve: then one of the stand's channels is wrong, or the line is."""
FAULTY = " faulty"
"""What the name of a channel is followed by that cannot be believed."""
SETTLE_S = 1.0
"""A supply needs so long after power-on before what it gives is complained of."""
LASTS_S = 0.25
"""A condition is complained of once it has lasted for so long: in the step in which the switch opens the mean voltage
is low, and a supply that is switched off instead takes a moment to run empty."""
_ADVICE = {
    SUPPLY_LOW: "raise the supply or use thicker leads",
    SUPPLY_HIGH: "lower the supply",
    FLUID_TEMPERATURE: "warm or cool the test fluid",
}
_CHANNELS = (Column.PRESSURE, Column.VOLTAGE, Column.CURRENT, Column.TEMPERATURE)


@dataclass(frozen=True, slots=True)
class Place:
    """Where a run stands: its stage, seconds since power-on (None: off), the valve that the stage needs, the valve as
    it counts (by hand, where that settled it) and as the signals alone show it. `sure` is False while nobody knows yet
    whether power has just been switched off; `flowed`: the unit has pumped in this run; `supply_moves`: a supply is
    being set, so that nobody complains of its voltage."""

    stage: str
    on_for: float | None
    needed: Valve | None = None
    valve: Valve | None = None
    by_signals: Valve | None = None
    sure: bool = True
    flowed: bool = False
    supply_moves: bool = False


class Fitness:
    """Looks at the steps of one run. `alarms` collects what people should be told; whoever reads it empties it.

    `doubted` says of channels what is wrong with them, if it is something else than being outside their span; it may
    grow during the run.
    """

    def __init__(self, part: Part, doubted: Mapping[Column, str] | None = None) -> None:
        self._part, self._doubted = part, {} if doubted is None else doubted
        self._told: set[str] = set()
        self._wrong, self._since = "", 0.0
        self.alarms: list[Alarm] = []

    def why_not(self, step: Step, place: Place) -> str:
        """What keeps a step out of a window, a few words; empty for nothing."""
        why = self.broken(step, place.stage) or self._valve_or_power(step, place) or self._condition(step)
        if why in _ADVICE and not place.sure:
            why = "power off"
        if why != self._wrong or step.t < self._since:
            self._wrong, self._since = why, step.t
        lasts = step.t - self._since >= LASTS_S
        if why in _ADVICE and lasts and not place.supply_moves and place.on_for is not None and place.on_for > SETTLE_S:
            said = f"{step.voltage:.2f} V at the terminals, {step.temperature - 273.15:.1f} °C"
            text = f"stage {place.stage}: {why} ({said}); nothing is read until it is right"
            self._tell(why, text, _ADVICE[why])
        return why

    def broken(self, step: Step, stage: str) -> str:
        """The first channel that cannot be believed."""
        for column in _CHANNELS:
            if step.faulty & BITS[column]:
                self.complain_of(column, stage)
                return f"{column.name.lower()}{FAULTY}"
        return ""

    def complain_of(self, column: Column, stage: str) -> None:
        """Tells that a channel is outside its span, or what else is wrong with it."""
        name = column.name.lower()
        wrong = self._doubted.get(column, "is outside its span")
        text = f"stage {stage}: the {name} channel {wrong}; nothing is read from it"
        self._tell(f"{name}{FAULTY}", text, "check the sensor, its plug and its supply")

    def _tell(self, cause: str, text: str, do: str) -> None:
        if cause not in self._told:
            self._told.add(cause)
            self.alarms.append(Alarm(cause.replace(" ", "_"), "warn", text, do))

    def _valve_or_power(self, step: Step, place: Place) -> str:
        if place.on_for is None:
            return "power off"
        if place.needed is not None and place.valve is not place.needed:
            return f"valve not {place.needed.value}"
        if place.needed is Valve.OPEN and place.by_signals is Valve.SHUT:
            # Confirmed open, but pressure without a pulse: the valve is shut after all or the meter is dead.
            return NO_PULSES
        if place.needed is Valve.OPEN and step.flow.silent:
            return "no flow yet"  # it may still prime; a limit of its own says for how long
        if place.needed is Valve.OPEN and place.by_signals is Valve.BETWEEN:
            # A confirmation says where the valve is, not that pressure and flow are right.
            return OPEN_BUT_PRESSURE
        if place.needed is Valve.SHUT and not step.flow.silent:
            return SHUT_BUT_FLOW
        if place.needed is Valve.SHUT and place.by_signals is Valve.BETWEEN and place.flowed:
            # What pushed fluid through the open line pushes against a shut valve at least as hard.
            return SHUT_NO_PRESSURE
        return ""

    def _condition(self, step: Step) -> str:
        part = self._part
        if step.temperature < part.temperature_low or step.temperature > part.temperature_high:
            return FLUID_TEMPERATURE
        if step.voltage > part.test_voltage + part.voltage_tolerance:
            return SUPPLY_HIGH
        return SUPPLY_LOW if step.voltage < part.test_voltage - part.voltage_tolerance else ""
