"""How well a firmware times the flow pulse: each edge that it tells against the plant's own; and how it keeps time
otherwise."""

import json
from pathlib import Path

import numpy as np
import pytest

from drivers.link.codec import encode
from drivers.link.deframer import Deframer
from drivers.link.frames import Scans, Stream
from simulator.bench import Bench
from simulator.coupled import CoupledFirmware
from simulator.coupling import Program
from tests import firmware_builds
from tests.simulator.common import depot

SECONDS = 20.0
SCAN = 0.002


class Watched(Bench):
    """A bench that keeps the time of every edge, s."""

    edges: list[float]

    def scan(self) -> list[int]:
        begin = self.time
        counts = super().scan()
        self.edges += [begin + SCAN * place for place in self.meter.places()]
        return counts


def errors(command: list[str]) -> tuple[np.ndarray, float]:
    """By how much the ticks told for edges are off, but for a constant since a device's ticks begin when they like, and
    the length of a tick; µs."""
    bench = Watched(depot(), "good-pump")
    bench.edges = []
    firmware = CoupledFirmware(Program(command), depot().device, bench)
    bench.connect()
    bench.immerse()
    sent = firmware.advance(0.1)
    firmware.receive(encode(0, Stream(True)))
    bench.switch(True)
    pieces = Deframer().feed(sent + firmware.advance(SECONDS))
    firmware.close()
    told = {f.edges[0]: f.last_edge[0] for piece in pieces if isinstance(f := piece.frame, Scans) and f.edges[0]}
    assert len(told) > 400
    assert 0 <= bench.meter.edges - max(told) <= 10  # those since the last frame
    tick = 1e6 / firmware.identity.tick_hz
    away = np.array([tick * at - 1e6 * bench.edges[n - 1] for n, at in told.items()])
    return np.asarray(away - np.median(away)), tick


def test_edges_are_timed_to_a_tick_by_the_host_program(capsys: pytest.CaptureFixture[str]) -> None:
    check_edges("host program", *errors(firmware_builds.host()), capsys)


def test_the_microcontroller_keeps_time(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Edges to the tick; 500 scans a second, none late by a tenth of one; most of the time asleep; memory left that no
    stack ever reached; and no byte of the host that would have been lost."""
    found = errors(firmware_builds.avr(tmp_path / "report.json"))
    report = json.loads((tmp_path / "report.json").read_text())
    check_edges("microcontroller", *found, capsys)
    say(capsys, report)
    assert report["scan_us"] == pytest.approx(1e6 * SCAN, abs=0.01)
    assert report["longest_scan_us"] < 1.1e6 * SCAN
    assert report["load"] < 0.5
    assert report["never_used"] >= 32
    assert report["receiver_deepest"] <= 2


def check_edges(name: str, away: np.ndarray, tick: float, capsys: pytest.CaptureFixture[str]) -> None:
    """A tick is cut off below, so a perfect timer is off by half a tick either way, 0.29 of one in the mean square.
    Whoever took times in an interrupt's routine would be off by microseconds."""
    rms, most = float(np.sqrt(np.mean(away**2))), float(np.abs(away).max())
    say(capsys, f"edges of the {name}: {len(away)}, off by {rms:.2f} µs rms, {most:.2f} µs at most (tick {tick:g} µs)")
    assert most <= tick
    assert rms <= 0.5 * tick


def say(capsys: pytest.CaptureFixture[str], what: object) -> None:
    with capsys.disabled():
        print(f"\n{what}")  # noqa: T201
