"""The `[drive]` table: how a stand that drives itself moves switch and valve."""

from typing import Literal

from pydantic import Field, ValidationInfo, field_validator

from daq.catalogue import units
from daq.catalogue.fields import Pressure, PressurePerTime, Table, Time, Voltage, VoltagePerTime, refuse
from daq.catalogue.units import Dimension
from daq.procedure.plan import Drive
from drivers.block import Input

InputName = Literal["stop_circuit", "splash_guard", "fluid_level"]
"""The protective inputs, by the names that the file has for them."""
INPUTS: dict[InputName, Input] = {
    "stop_circuit": Input.STOP_CIRCUIT,
    "splash_guard": Input.SPLASH_GUARD,
    "fluid_level": Input.FLUID_LEVEL,
}
STOP: InputName = "stop_circuit"

SPANS: dict[str, tuple[float, float, Dimension]] = {
    "lease": (0.2, 2.0, units.TIME),
    "obeyed": (0.2, 10.0, units.TIME),
    "travel": (0.2, 60.0, units.TIME),
    "pressure_rate": (5e3, 2e6, units.PRESSURE_PER_TIME),
    "overshoot": (1e3, 200e3, units.PRESSURE),
    "make_up": (0.0, 2.0, units.VOLTAGE),
    "make_up_rate": (0.05, 5.0, units.VOLTAGE_PER_TIME),
}
"""What each key may be. The link ends a lease after 2 s at the most, and a shorter one than 0.2 s would run out between
blocks that come late; the others are common practice, no source."""

_USUAL = Drive()


class DriveTable(Table):
    """Defaults are those of `daq.procedure.plan.Drive`."""

    requires: list[InputName] = Field(default_factory=lambda: [STOP])
    lease: Time = _USUAL.lease
    obeyed: Time = _USUAL.obeyed
    travel: Time = _USUAL.travel
    pressure_rate: PressurePerTime = _USUAL.pressure_rate
    overshoot: Pressure = _USUAL.overshoot
    make_up: Voltage = _USUAL.make_up
    make_up_rate: VoltagePerTime = _USUAL.make_up_rate

    @field_validator("requires")
    @classmethod
    def _stops(cls, names: list[InputName]) -> list[InputName]:
        found = ", ".join(names) or "none"
        if STOP not in names:
            do = "add it; a stand that drives itself has a stop circuit that cuts the pump's power in hardware"
            refuse(f"{STOP} among the inputs that must be closed", found, do)
        if len(set(names)) < len(names):
            refuse("each input once", found, "take the repeated one out")
        return names

    @field_validator(*SPANS)
    @classmethod
    def _within(cls, value: float, info: ValidationInfo) -> float:
        low, high, dimension = SPANS[str(info.field_name)]
        if not low <= value <= high:
            expected = f"{units.show(low, dimension)} to {units.show(high, dimension)}"
            refuse(expected, units.show(value, dimension), "choose a value in between")
        return value

    def build(self) -> Drive:
        required = Input(0)
        for name in self.requires:
            required |= INPUTS[name]
        return Drive(
            required,
            self.lease,
            self.obeyed,
            self.travel,
            self.pressure_rate,
            self.overshoot,
            self.make_up,
            self.make_up_rate,
        )
