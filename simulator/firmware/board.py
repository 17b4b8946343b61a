"""What the virtual microcontroller is soldered to."""

from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from drivers.block import Input
from simulator.plant.meter import Meter


class Board(Protocol):
    """Converter, counter, switch and valve. `tick` runs on whatever the device does; `scan` moves time on by one scan.

    `overrange` belongs to the newest scan. `travel` and `moving` are those of the valve, `supply_mv` the supply's
    setpoint.
    """

    tick: int
    inputs: Input
    supply_mv: int
    meter: Meter

    @property
    def travel(self) -> float: ...

    @property
    def overrange(self) -> int: ...

    @property
    def powered(self) -> bool: ...

    @property
    def moving(self) -> bool: ...

    def scan(self) -> list[int]: ...

    def burst(self, role: int, places: NDArray[np.float64]) -> tuple[list[int], bool]: ...

    def switch(self, on: bool) -> None: ...

    def set_supply(self, millivolts: int) -> None: ...

    def aim_valve(self, travel: float, full_travel: float) -> None: ...

    def streaming(self) -> None: ...
