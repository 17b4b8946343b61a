"""A device's clock that runs from the computer's: found by when blocks come, in a whole run too."""

from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import SimpleNamespace
from typing import cast

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daq.catalogue.load import load_stand
from daq.measure.clock import NAME
from daq.procedure.effects import Alarm
from daq.stand.clock_watch import ClockWatch, keeps_wall_time
from daq.stand.rejudge import in_force, rejudge
from drivers.device import Address, Device
from drivers.replay import open_replay
from tests.daq.stand.driven import DRIVEN, opened

TOLERANCE, BLOCK_S = 0.002, 0.04


def watched(pace: float, seconds: float, *, stalls: tuple[tuple[float, float], ...] = (), seed: int = 1) -> ClockWatch:
    """Blocks of a device of which `pace` seconds are one of the computer's. They come late as on a USB line, in the
    median 2 ms; what a stall (from, for s) holds up comes when it is over."""
    watch, draw = ClockWatch(TOLERANCE), np.random.default_rng(seed)
    for sent in np.arange(0.0, seconds, BLOCK_S):
        came = sent + 1e-3 + 1e-3 * draw.exponential()
        for begin, length in stalls:
            came = begin + length if begin <= came < begin + length else came
        watch.feed(7.0 + pace * sent, 1e5 + came)
    return watch


def told(text: str) -> float:
    """The difference that a text tells, as a share."""
    return float(text.partition("found ")[2].partition("%")[0]) / 100.0


@settings(deadline=None)
@given(st.floats(0.003, 0.05), st.sampled_from((-1, 1)), st.integers(1, 1000))
def test_a_clock_that_runs_away_is_found(share: float, sign: int, seed: int) -> None:
    """0.3 % within 40 s, 1 % within 15 s."""
    seconds = 10.0 + max(0.03 / (share - TOLERANCE), 5.0) + 0.3
    found = watched(1.0 + sign * share, seconds, seed=seed).found
    assert found is not None
    assert told(found.text) == pytest.approx(sign * share, rel=0.3)


@settings(deadline=None)
@given(
    st.floats(-0.0018, 0.0018),
    st.lists(st.tuples(st.floats(0.0, 110.0), st.floats(0.1, 4.0)), max_size=3),
    st.integers(1, 1000),
)
def test_one_within_its_tolerance_is_not_whatever_the_computer_does(
    share: float, stalls: list[tuple[float, float]], seed: int
) -> None:
    """It stands still for up to 4 s at a time."""
    apart = sorted(stalls)
    kept = [s for k, s in enumerate(apart) if k == 0 or s[0] > apart[k - 1][0] + 15.0]
    assert watched(1.0 + share, 120.0, stalls=tuple(kept), seed=seed).found is None


def test_a_clock_that_is_mended_counts_again_once_it_is_forgotten() -> None:
    """Ten minutes later nothing of it is left."""
    watch, device = ClockWatch(TOLERANCE), 0.0
    found = []
    for k in range(round(1500 / BLOCK_S)):
        host = BLOCK_S * k
        device += BLOCK_S * (1.01 if host < 60.0 else 1.0)
        watch.feed(device, host)
        if k % 1000 == 0:
            found.append((host, watch.found is not None))
    assert any(seen for host, seen in found if host < 100.0)
    assert not any(seen for host, seen in found if host > 700.0)


@pytest.mark.parametrize("virtual", [False, True])
@pytest.mark.parametrize("simulated", [False, True])
def test_only_hardware_keeps_the_time_of_the_wall(virtual: bool, simulated: bool) -> None:
    device = cast(Device, SimpleNamespace(virtual=virtual, simulated=simulated))
    assert keeps_wall_time(device) is not (virtual or simulated)


@pytest.mark.parametrize("step", [timedelta(hours=-1), timedelta(0), timedelta(days=400)])
async def test_a_wall_clock_that_is_set_in_a_run_shows_and_the_run_lasts_as_the_device_says(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, step: timedelta
) -> None:
    for module in ("stand", "finish"):
        monkeypatch.setattr(f"daq.stand.{module}.keeps_wall_time", lambda device: True)
    config = load_stand(DRIVEN.parent / "stand.toml")
    begun = datetime(2031, 5, 4, 7, 12, tzinfo=UTC)
    async with opened(config, tmp_path, "sim://depot/good-pump") as bench:
        time = lambda: bench.device.bench.time  # noqa: E731
        monkeypatch.setattr(bench.stand, "_clock", time)
        monkeypatch.setattr(
            bench.stand, "_now", lambda: begun + timedelta(seconds=time()) + (step if time() > 20.0 else timedelta(0))
        )
        data = (await bench.test("MH-2101")).data
    assert data.quality.clock_error_s == pytest.approx(abs(step.total_seconds()), abs=0.3)
    lasted = (data.ended - data.started).total_seconds()
    assert 20.0 < max(reading.window[1] for reading in data.readings) <= lasted < 120.0


@pytest.mark.parametrize("driven", [False, True], ids=["followed", "driven"])
@pytest.mark.parametrize(("share", "verdict"), [(0.01, "void"), (-0.004, "void"), (0.0005, "pass")])
async def test_in_a_whole_run(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, driven: bool, share: float, verdict: str
) -> None:
    """A simulated device whose blocks come by another clock than its own; a simulation as such has no other."""
    monkeypatch.setattr("daq.stand.stand.keeps_wall_time", lambda device: True)
    config = load_stand(DRIVEN if driven else DRIVEN.parent / "stand.toml")
    async with opened(config, tmp_path, f"sim://{'driven' if driven else 'depot'}/good-pump") as bench:
        monkeypatch.setattr(bench.stand, "_clock", lambda: bench.device.bench.time / (1.0 + share))
        data = (await bench.test("MH-2101")).data
        alarms = {alarm.code: alarm for alarm in bench.all(Alarm)}
    assert data.verdict == verdict
    assert set(alarms) == (set() if verdict == "pass" else {"reference_faulty"})
    if verdict == "void":
        assert data.why == f"{NAME} faulty"
        text = alarms["reference_faulty"].text
        assert f": {NAME}: expected the computer's clock within 0.2%, found " in text
        assert told(text) == pytest.approx(share, rel=0.1)
        path = tmp_path / "data" / "recordings" / f"{data.run}.rec"
        device = await open_replay(Address(f"replay://{path}", "replay", str(path)))
        again = await rejudge(device, in_force(device))
        assert (again.verdict, again.why, again.readings) == (data.verdict, data.why, data.readings)
