"""The `[reference.…]` tables of a stand: what a device measures beside its sensors, and how far it may be off."""

from pydantic import Field

from daq.catalogue.fields import Factor, Share, Table, Voltage
from daq.measure.channels import RailInput


class RailTable(Table):
    """A fixed voltage: `nominal`, with `gain` volts at the converter for each. It must lie within `tolerance` of that
    and within `drift` of what it was at rest."""

    nominal: Voltage = Field(gt=0)
    gain: Factor = 1.0
    tolerance: Share = Field(default=0.01, gt=0, lt=1)
    drift: Share = Field(default=0.003, gt=0, lt=1)

    def build(self) -> RailInput:
        return RailInput(self.nominal, self.gain, self.tolerance, self.drift)


class SupplyTable(RailTable):
    """The supply of converter and amplifiers, which pass on little of it."""

    tolerance: Share = Field(default=0.05, gt=0, lt=1)
    drift: Share = Field(default=0.02, gt=0, lt=1)


class ClockTable(Table):
    """The device's clock: how far it may run from the computer's, as a share."""

    tolerance: Share = Field(default=0.002, gt=0, lt=1)


class ReferenceTables(Table):
    """The references of the channels, where the device measures them; each device has a clock."""

    voltage: RailTable | None = None
    supply: SupplyTable | None = None
    clock: ClockTable = ClockTable()
