"""Recordings of real pumps, played through the virtual microcontroller, against labels made by hand.

`STEADYHEAD_DATASETS` names the folder that holds them: `small-pumps/NAME.csv`, `small-pumps/NAME.labels.json`, and the
`score.py` that compares both with what was found. The project contains none of it; where the variable is not set,
nothing here runs. The recordings are small electric pumps that push into a restriction which closes; pressure comes
from a transducer, flow is the machine's own estimate, at 4 to 10 rows a second, some of them repeats.
"""

import importlib.util
import json
import os
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from daq.measure.channels import (
    Channels,
    FlowInput,
    PressureInput,
    PressureKind,
    ShuntInput,
    TemperatureInput,
    VoltageInput,
)
from daq.measure.convert import Column
from daq.measure.peak import held_maximum
from daq.measure.steps import Measuring
from daq.procedure.plan import Reading
from daq.procedure.watch import Watch
from drivers.block import Block
from drivers.device import open_device

VARIABLE = "STEADYHEAD_DATASETS"
FOLDER = os.environ.get(VARIABLE, "")
pytestmark = pytest.mark.skipif(
    not FOLDER, reason=f"not checked against recordings of real pumps: {VARIABLE} names no folder that holds them"
)
RECORDINGS = sorted(Path(FOLDER, "small-pumps").glob("*.csv")) if FOLDER else []

PRESSURE_SCALE, FLOW_SCALE = 10e5, 0.6e-3 / 60.0
"""What the transducer and the flow estimate can show at most: 10 bar, 0.6 l/min."""
SHARE = 0.02
"""What counts as still within the shortest window, of full scale. Steps of 0.1 bar, a ripple of 0.05 to 0.1 bar and a
handful of samples a window allow no less."""
PER_LITRE = 200_000
CHANNELS = Channels(
    pressure=PressureInput(PressureKind.RATIOMETRIC, 0.0, PRESSURE_SCALE, 0.1, 0.9, 0.06, 0.94),
    shunt=ShuntInput(5e-3, 40.0),
    voltage=VoltageInput(0.2),
    flow=FlowInput(((10.0, 1e3 * PER_LITRE), (4_000.0, 1e3 * PER_LITRE)), stall_flow=1e-8),
    temperature=TemperatureInput(0.5, 0.01, high=400.0),
)
TOLERANCES = {"pressure": SHARE * PRESSURE_SCALE, "flow": SHARE * FLOW_SCALE}
SETTINGS = Reading(settle=0.8, window=1.0)
GRACE_S, LAG_S = 2.0, 1.0

Score = Callable[..., dict[str, Any]]


@dataclass(frozen=True)
class Played:
    """What was found in one recording: rows of time and state for the score, the highest pressure held in bar."""

    labels: dict[str, Any]
    rows: list[dict[str, float]]
    peak: float


async def play(path: Path) -> Played:
    """From rows through counts, edges and frames to steps and a stage's window, as in a run."""
    labels = json.loads(path.with_suffix(".labels.json").read_text(encoding="utf-8"))
    device = await open_device(f"sim://{path}?pulses_per_litre={PER_LITRE}")
    measuring = Measuring(CHANNELS, device.identity, needed=(Column.PRESSURE,))
    watch = Watch(TOLERANCES, SETTINGS, measuring.converter.resolution())
    start, rows = _first_time(path), list[dict[str, float]]()
    async for event in device.events():
        if isinstance(event, Block):
            for step in measuring.feed(event):
                watch.feed(step, fit=True)
                rows.append({"t_s": start + step.t, "steady": float(watch.begun)})
    pressure = measuring.trace.values()[:, Column.PRESSURE]
    return Played(labels, rows, held_maximum(pressure, device.identity.sample_hz) / 1e5)


def _first_time(path: Path) -> float:
    head, row = path.read_text(encoding="utf-8").splitlines()[:2]
    return float(row.split(",")[head.split(",").index("t_s")])


@pytest.fixture(scope="module")
def score() -> Score:
    """The score that comes with the recordings."""
    place = Path(FOLDER, "score.py")
    spec = importlib.util.spec_from_file_location("score_of_recordings", place)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    found: Score = module.score
    return found


def test_there_are_recordings() -> None:
    assert RECORDINGS, f"{VARIABLE} names {FOLDER}, expected small-pumps/*.csv in it, found none"


async def test_what_is_labelled_steady_is_found_and_little_else(score: Score) -> None:
    """All recordings together, one setting: recall of 0.9 and more, at most 0.08 of the transients called steady."""
    totals: dict[str, float] = {}
    for path in RECORDINGS:
        played = await play(path)
        found = score(played.labels, played.rows, grace=GRACE_S, lag=LAG_S)
        for name in ("steady_found_s", "steady_labelled_s", "false_steady_s", "transient_labelled_s"):
            totals[name] = totals.get(name, 0.0) + found[name]
    assert totals["steady_labelled_s"] > 10.0
    assert totals["transient_labelled_s"] > 60.0
    assert totals["steady_found_s"] >= 0.9 * totals["steady_labelled_s"], totals
    assert totals["false_steady_s"] <= 0.08 * totals["transient_labelled_s"], totals


@pytest.mark.parametrize("path", RECORDINGS, ids=[path.stem for path in RECORDINGS])
async def test_the_highest_pressure_held_is_the_peak_that_is_labelled(path: Path, score: Score) -> None:
    """The labels name the highest published sample, within 2 % or the ripple. Few of the peaks have a second of steady
    pressure about them, so the functional is taken as it is, over the whole recording."""
    played = await play(path)
    found = score(played.labels, played.rows, grace=GRACE_S, lag=LAG_S, peak=played.peak)
    assert found["peak_ok"], found["peak_error_bar"]
