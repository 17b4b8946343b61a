"""What hands may do to a unit in the middle of a test, and what else comes over it without being a fault of its own."""

from collections.abc import Callable
from typing import Protocol

from simulator.plant.plant import Plant

TURN_S = 0.6
"""Time in which a hand turns the valve from end to end when nothing asks for care, s; an assumption."""


class Hurt(Protocol):
    """A bench to which it happens."""

    @property
    def plant(self) -> Plant: ...

    def switch(self, on: bool) -> None: ...

    def aim_valve(self, travel: float, full_travel: float) -> None: ...


def unit_off(bench: Hurt) -> None:
    """The unit is taken off the stand, whatever is on: hose and leads lie open."""
    bench.plant.take_off()


def hose_off(bench: Hurt) -> None:
    """The hose slips off the unit's outlet: the line is open to the air, and the unit pumps beside it."""
    bench.plant.hose_off = True


def lead_off(bench: Hurt) -> None:
    """A supply lead comes off the unit; the voltage is sensed on the supply's side of it."""
    bench.plant.lead_off = True


def power_cut(bench: Hurt) -> None:
    """A hand switches the pump off."""
    bench.switch(False)


def power_back(bench: Hurt) -> None:
    """A hand switches the pump on."""
    bench.switch(True)


def return_off(bench: Hurt) -> None:
    """A module's return line is no longer held in its reservoir."""
    bench.plant.return_held = False


def out_of_fluid(bench: Hurt) -> None:
    """The inlet stands in air: the tank or a module's reservoir is empty."""
    bench.plant.immersed = False
    bench.plant.level = 0.0


def valve_opened(bench: Hurt) -> None:
    """A hand opens the valve."""
    bench.aim_valve(1.0, TURN_S)


def valve_shut(bench: Hurt) -> None:
    """A hand shuts the valve."""
    bench.aim_valve(0.0, TURN_S)


MISHAPS: dict[str, Callable[[Hurt], None]] = {
    "unit_off": unit_off,
    "hose_off": hose_off,
    "lead_off": lead_off,
    "power_cut": power_cut,
    "power_back": power_back,
    "return_off": return_off,
    "out_of_fluid": out_of_fluid,
    "valve_opened": valve_opened,
    "valve_shut": valve_shut,
}
"""By name. Another unit mounted finds none of them."""
