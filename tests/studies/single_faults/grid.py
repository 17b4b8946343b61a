"""Which cases a campaign has."""

from collections.abc import Iterator
from dataclasses import dataclass

from tests.studies.single_faults.cases import CHANNELS, POWERED, START, ZEROED, Case, faults
from tests.studies.single_faults.faults import Fault, Kind

MOMENTS = {
    "pump": (START, ZEROED, POWERED, "free_flow", "throttle", "shutoff", "reopen", "free_flow.2"),
    "module": (START, ZEROED, POWERED, "shutoff", "reopen", "free_flow", "throttle", "shutoff.2"),
}
MINOR = ("temperature", "level", "excitation", "ambient", "clock")
"""Channels whose faults are tried at fewer moments."""


@dataclass(frozen=True, slots=True)
class Grid:
    """`places` are kinds of stand with families of units. `largest` leaves out the other sizes of a fault, `sparse` the
    moments but for three."""

    places: tuple[tuple[str, str], ...]
    largest: bool = False
    sparse: bool = False


GRIDS = {
    "full": Grid(
        (
            ("followed", "turbine"),
            ("followed", "module"),
            ("followed", "displacement"),
            ("driven", "turbine"),
            ("driven", "module"),
        )
    ),
    "usual": Grid((("followed", "turbine"), ("followed", "module"))),
    "short": Grid((("followed", "turbine"),), largest=True, sparse=True),
}
_DRIVEN_SKIPS = (0.01, 0.001)
"""Sizes that are left out at driven stands, whose runs take longer to simulate."""


def cases(grid: Grid, seed: int) -> Iterator[Case]:
    """All cases of a grid."""
    for mode, family in grid.places:
        module = family == "module"
        for channel in CHANNELS:
            if channel == "level" and not module:
                continue
            for moment in _moments(grid, channel, module=module):
                for fault in faults(channel):
                    if not _left_out(grid, mode, family, fault):
                        yield from (Case(mode, family, good, fault, moment, seed) for good in (True, False))


def _moments(grid: Grid, channel: str, *, module: bool) -> tuple[str, ...]:
    moments = MOMENTS["module" if module else "pump"]
    if grid.sparse:
        return tuple(m for m in moments if m in ("throttle", "shutoff"))
    return moments if channel not in MINOR else tuple(m for m in moments if m != POWERED)


def _left_out(grid: Grid, mode: str, family: str, fault: Fault) -> bool:
    size, kind = abs(fault.size), fault.kind
    if grid.largest:
        return kind in (Kind.NOISE, Kind.DROP_OUT) or (kind in (Kind.OFFSET, Kind.GAIN, Kind.DRIFT) and size < 0.02)
    return (mode == "driven" or family == "displacement") and size in _DRIVEN_SKIPS
