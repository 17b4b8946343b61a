"""What the reference firmware takes and how well it keeps time, on the emulated microcontroller and as a program; and
whole driven runs of every part under each firmware, against those under ours.

Run: python -m tests.studies.firmware (a minute; builds the firmware and the emulator first)
"""

import json
import re
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from tests import firmware_builds
from tests.emulator.driven_run import PARTS, PROGRAMS, Driven, run
from tests.emulator.test_edges import errors
from tests.studies.common import show

FIRMWARES = {"python": "Python", "host": "C, as a program", "avr": "C, on the ATmega328P"}


def _takes(folder: Path) -> Iterator[list[str]]:
    """Memory, time and edges. The time it needs is asked while it streams and takes a capture, in whole driven runs."""
    told = firmware_builds.make(firmware_builds.FIRMWARE, "avr", "size", BUILD=firmware_builds.folder())
    flash, flash_there, ram, ram_there = re.findall(r"\d+", told)
    host, tick = errors(firmware_builds.host())
    avr, avr_tick = errors(firmware_builds.avr(folder / "edges.json"))
    quiet: dict[str, Any] = json.loads((folder / "edges.json").read_text())
    yield ["flash, bytes", "", f"{flash} of {flash_there}"]
    yield ["variables in RAM, bytes", "", f"{ram} of {ram_there}"]
    yield ["edge times off by, µs (tick)", _edges(host, tick), _edges(avr, avr_tick)]
    yield ["scans per second", "500", f"{1e6 / quiet['scan_us']:.4f}"]
    yield ["processor's load while it streams", "", f"{quiet['load']:.1%}"]


def _edges(away: np.ndarray, tick: float) -> str:
    return f"{np.sqrt(np.mean(away**2)):.2f} rms, {np.abs(away).max():.2f} at most ({tick:g})"


def _runs(folder: Path, reports: list[dict[str, Any]]) -> Iterator[list[str]]:
    for unit in PARTS:
        ours: Driven | None = None
        for firmware in PROGRAMS:
            place = folder / f"{unit}-{firmware}"
            place.mkdir()
            made = run(place, unit, firmware)
            ours = ours or made
            reports += [made.report] if made.report else []
            yield [
                PARTS[unit],
                unit,
                FIRMWARES[firmware],
                made.data.verdict,
                f"{made.overshoot / 1e3:.1f}",
                f"{made.shut_s:.1f}",
                str(len(made.data.readings)),
                f"{away(ours, made):.2f}",
            ]


def away(mine: Driven, theirs: Driven) -> float:
    """By how much the readings of a run differ at most from those of ours, in units of our U."""
    found = {reading.name: reading.value for reading in theirs.data.readings}
    return max(abs(found[r.name] - r.value) / r.U for r in mine.data.readings if r.U)


def _worst(reports: list[dict[str, Any]]) -> Iterator[list[str]]:
    gaps = [report["longest_scan_us"] for report in reports]
    yield ["longest time between scans, µs", f"{max(gaps):.1f}"]
    yield ["processor's load", f"{max(report['load'] for report in reports):.1%}"]
    yield ["stack at its deepest, bytes", str(max(report["stack_deepest"] for report in reports))]
    yield ["RAM never used, bytes", str(min(report["never_used"] for report in reports))]
    yield ["bytes of the host that waited in the receiver (2 fit)", str(max(r["receiver_deepest"] for r in reports))]


def main() -> None:
    reports: list[dict[str, Any]] = []
    with tempfile.TemporaryDirectory() as made:
        folder = Path(made)
        show(("what it takes", FIRMWARES["host"], FIRMWARES["avr"]), _takes(folder))
        sys.stdout.write("\n")
        head = ("part", "unit", "firmware", "verdict", "overshoot kPa", "shut for s", "readings", "farthest off, in U")
        show(head, _runs(folder, reports))
    sys.stdout.write("\n")
    show(("worst of these runs on the ATmega328P", ""), _worst(reports))


if __name__ == "__main__":
    main()
