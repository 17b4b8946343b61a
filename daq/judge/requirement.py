"""What a part must do: limits on quantities in stages."""

from dataclasses import dataclass
from enum import StrEnum


class Quantity(StrEnum):
    """What can be required."""

    FLOW = "flow"
    PRESSURE = "pressure"
    PEAK_PRESSURE = "peak_pressure"
    CURRENT = "current"
    VOLTAGE = "voltage"
    POWER = "power"
    EFFICIENCY = "efficiency"
    SPEED = "speed"
    RESIDUAL_PRESSURE = "residual_pressure"
    FILL_TIME = "fill_time"


class Mode(StrEnum):
    """How long a requirement is looked at: until its finding is clear, or until its uncertainty is small enough."""

    DECIDE = "decide"
    REPORT = "report"


@dataclass(frozen=True, slots=True)
class Requirement:
    """One limit, or a band, on one quantity in one stage, in SI.

    `stage` is a stage's name without a number: it means every stage of that name (for a module's `shutoff` the one
    after `fill`). `at` is the place on the curve that a quantity is required at: a pressure (Pa), or with `at_flow`, as
    always for a pressure, a flow (m³/s). `after` are the seconds since power-off for a residual pressure. `target` is
    the U that ends a reading in mode `report` (None: the longest window). `guard` is the factor r of the guard band
    r·U; 0 is simple acceptance.
    """

    name: str
    quantity: Quantity
    stage: str
    at_least: float | None = None
    at_most: float | None = None
    at: float | None = None
    after: float | None = None
    mode: Mode = Mode.DECIDE
    guard: float = 1.0
    target: float | None = None
    at_flow: bool = False

    @property
    def place(self) -> str:
        """The channel that `at` is stated in."""
        return "flow" if self.at_flow or self.quantity is Quantity.PRESSURE else "pressure"
