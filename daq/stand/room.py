"""Room on the disk for one more run: what the longest run of the catalogue can take, and what is free.

A run is not begun where it might not be kept. What others write meanwhile is not ours to know, hence the reserve.
"""

import os
from collections.abc import Iterable
from pathlib import Path

from daq.catalogue.stand_file import StandConfig
from daq.procedure.driving import pauses_of
from daq.procedure.plan import Part, Stand
from daq.procedure.table import sequence, stage_of
from daq.record.engine import file_of
from drivers.block import Identity

PER_VALUE, PER_SCAN = 20, 40
"""Bytes that recording and trace together take at most of a scan, for each channel and for the scan itself. Measured:
24 with six channels, where these say 160. Reckoned: what a board prints takes some 10 for a value, and noise that does
not compress 8 in the trace."""
BESIDE = 16_000_000
"""Bytes for the rows of a run, the database's log, which may grow to some megabytes, and captures."""
FILES = 16
"""Files that must be possible: recording, trace, both under way, the database's own, and some more."""


def longest(part: Part, stand: Stand) -> float:
    """Seconds that no run of a part can exceed: every stage takes its limit, and every answer as well."""
    limits = stand.limits
    pauses = len(pauses_of(part)) if stand.driven else 0
    after = [r.after for r in part.requirements if r.after is not None]
    stages = sequence(part.kind, part.dry_check_s is not None, bool(after), pauses=pauses)
    handled = sum(stage_of(name).handled for name in stages)
    fill = part.fill_limit_s or limits.fill_s
    return (
        handled * limits.ask_s
        + (len(stages) - handled) * (limits.stage_s + limits.ask_s)
        + fill
        + max(after, default=0)
    )


def needed(parts: Iterable[Part], stand: Stand, identity: Identity) -> int:
    """Bytes that the longest run of any of these parts can take."""
    per_second = identity.sample_hz * (PER_SCAN + PER_VALUE * len(identity.analog))
    return round(per_second * max((longest(part, stand) for part in parts), default=0.0)) + BESIDE


def lacking(config: StandConfig, need: int) -> str | None:
    """What is too little, and what to do; None where there is room for `need` bytes and the reserve. A place that
    cannot be looked at says nothing: whoever writes there will say it."""
    told = (_lacking(place, need + config.keep_free) for place in _places(config))
    return next((text for text in told if text is not None), None)


def _places(config: StandConfig) -> list[Path]:
    """Where the daemon writes: the records' folder, and that of a database that is a file."""
    file = file_of(config.database)
    return [config.data, *([] if file is None or file.parent == config.data else [file.parent])]


def _lacking(place: Path, need: int) -> str | None:
    try:
        disk = os.statvfs(place)
    except OSError:
        return None
    free = disk.f_bavail * disk.f_frsize
    if free < need:
        return (
            f"{place}: expected {_mb(need)} free, for the longest run and a reserve, found {_mb(free)}; make room: "
            "move old recordings and traces away, or whatever else fills this disk"
        )
    if disk.f_files and disk.f_favail < FILES:
        return f"{place}: expected room for {FILES} more files, found {disk.f_favail}; delete some that nobody needs"
    return None


def _mb(size: int) -> str:
    return f"{size / 1e6:.0f} MB"
