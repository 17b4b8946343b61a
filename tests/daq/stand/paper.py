"""A device whose events stand on paper, and blocks of a line under pressure with nothing else going on."""

from collections.abc import AsyncIterator
from dataclasses import dataclass, field

import numpy as np

from drivers.block import Event, Identity, Role
from tests.daq.measure.blocks import RESTING, ROLES, Floats, Line, clipped, counts_of, identity


@dataclass
class Paper:
    """As much of a device as whoever only listens needs."""

    heard: list[Event]
    identity: Identity = field(default_factory=identity)
    address: str = "paper://bench"
    closed: bool = False

    async def events(self) -> AsyncIterator[Event]:
        for event in self.heard:
            yield event

    async def close(self) -> None:
        self.closed = True


def under_pressure(pressure: Floats) -> list[Event]:
    """Blocks of 25 scans, 500 a second."""
    line = Line()
    values = {role: np.full(pressure.size, RESTING[role]) for role in ROLES} | {Role.PRESSURE: pressure}
    counts = clipped(counts_of(values))
    return [line.block(counts[k : k + 25]) for k in range(0, counts.shape[0], 25)]
