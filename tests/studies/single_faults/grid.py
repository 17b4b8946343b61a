"""Which cases a campaign has."""

from collections.abc import Iterator
from dataclasses import dataclass

from tests.studies.single_faults.cases import CHANNELS, MOMENTS, POWERED, SIGNED, Case, faults
from tests.studies.single_faults.faults import Fault

MINOR = ("temperature", "level", "excitation", "ambient", "clock")
"""Channels whose faults are tried at fewer moments and in fewer sizes."""
MASKING = 0.06
"""The smallest size that can hide what is wrong with a bad unit."""


@dataclass(frozen=True, slots=True)
class Grid:
    """A part of a campaign: `places` are kinds of stand with families of units; faults of at least `least` where they
    have a size; at all moments, or at `moments`; with channels that are `MINOR` or without."""

    places: tuple[tuple[str, str], ...]
    least: float = 0.0
    moments: tuple[str, ...] = ()
    minor: bool = True


GRIDS = {
    "full": (
        Grid((("followed", "turbine"),)),
        Grid((("followed", "module"), ("driven", "turbine")), least=0.02, minor=False),
        Grid((("followed", "displacement"), ("driven", "module")), least=0.06, minor=False),
    ),
    "usual": (Grid((("followed", "turbine"),), least=0.02),),
    "short": (
        Grid((("followed", "turbine"),), least=0.2, moments=("throttle", "shutoff"), minor=False),
        Grid((("followed", "module"),), least=0.2, moments=("free_flow", "throttle"), minor=False),
    ),
}


def cases(grids: tuple[Grid, ...], seed: int) -> Iterator[Case]:
    """All cases of a campaign."""
    for grid in grids:
        for mode, family in grid.places:
            for channel in CHANNELS:
                if grid.minor or channel not in MINOR:
                    yield from _of_channel(grid, mode, family, channel, seed)


def _of_channel(grid: Grid, mode: str, family: str, channel: str, seed: int) -> Iterator[Case]:
    module = family == "module"
    if channel == "level" and not module:
        return
    minor = channel in MINOR
    for moment in MOMENTS["module" if module else "pump"]:
        if (grid.moments and moment not in grid.moments) or (minor and moment in (POWERED, "reopen", "free_flow.2")):
            continue
        for fault in faults(channel):
            if _large_enough(grid, fault, minor=minor):
                yield from (
                    Case(mode, family, good, fault, moment, seed) for good in (True, False) if good or _masks(fault)
                )


def _large_enough(grid: Grid, fault: Fault, *, minor: bool) -> bool:
    least = 0.06 if minor else grid.least
    if fault.kind not in SIGNED or fault.kind is fault.kind.DRIFT:
        return True
    return abs(fault.size) >= least


def _masks(fault: Fault) -> bool:
    return fault.kind not in (fault.kind.OFFSET, fault.kind.GAIN) or abs(fault.size) >= MASKING
