"""A run asks for captures; they come beside the scans, live as in a replay, and end no run where they do not."""

from typing import Never

import pytest

from daq.catalogue.stand_file import StandConfig
from daq.procedure.effects import CaptureWanted, Noted
from daq.procedure.stage_reading import StageReading
from daq.publish import contract as c
from daq.stand.rejudge import in_force, rejudge
from daq.stand.said import Live
from drivers.block import Capture, Role
from drivers.device import Address, NotFittedError
from drivers.replay import open_replay
from simulator.driver import SimulatedDevice
from tests.daq.stand.conftest import OpenBench

GOOD = "sim://depot/good-pump"
Heard = list[tuple[Capture, float]]


@pytest.fixture
def heard(monkeypatch: pytest.MonkeyPatch) -> Heard:
    """Every stage that reads asks for a capture and waits for it; what came of it, and when in the run."""
    found: Heard = []

    def captured(_: StageReading, capture: Capture, _stage: str, t: float) -> list[Noted]:
        found.append((capture, t))
        return []

    monkeypatch.setattr(StageReading, "capture_wanted", lambda _: CaptureWanted(Role.SHUNT, 20_000, 4_000))
    monkeypatch.setattr(StageReading, "speed_asked", property(lambda _: True))
    monkeypatch.setattr(StageReading, "captured", captured)
    return found


def told(heard: Heard) -> list[object]:
    return [(c.role, c.rate_hz, c.tick, c.counts, c.overrange, t) for c, t in heard]


async def replayed(data: c.ResultData, config: StandConfig) -> c.ResultData:
    assert data.recording is not None
    device = await open_replay(Address.parse(f"replay://{config.data / data.recording.file}"))
    return await rejudge(device, in_force(device))


async def test_a_replay_has_the_captures_of_the_run(open_bench: OpenBench, config: StandConfig, heard: Heard) -> None:
    async with open_bench(GOOD) as bench:
        data = (await bench.test()).data
    assert data.verdict == "pass"
    live = told(heard)
    read = {r.stage for r in data.readings}
    assert len(live) == len([s for s in read if s.startswith(("free_flow", "shutoff"))]) > 2
    assert all(len(capture.counts) == 4_000 for capture, _ in heard)
    heard.clear()
    again = await replayed(data, config)
    assert told(heard) == live
    assert (again.readings, again.findings) == (data.readings, data.findings)


async def test_scans_that_a_capture_displaced_spoil_no_reading(
    open_bench: OpenBench, config: StandConfig, heard: Heard
) -> None:
    async with open_bench(GOOD) as bench:
        data = (await bench.test()).data
    assert data.quality.scans_expected == data.quality.scans_received
    assert data.quality.scans_displaced == pytest.approx(
        100 * len(heard), abs=len(heard)
    )  # 0.2 s each, at 500 scans a second
    assert {f.finding for f in data.findings} == {"met"}


async def test_a_device_that_gives_none_ends_no_run(
    open_bench: OpenBench, monkeypatch: pytest.MonkeyPatch, heard: Heard
) -> None:
    async def refuses(*_: object) -> Never:
        raise NotFittedError("the device has no capture")

    monkeypatch.setattr(SimulatedDevice, "capture", refuses)
    async with open_bench(GOOD) as bench:
        data = (await bench.test()).data
        noted = [n for n in bench.all(Noted) if n.what == "capture failed"]
        kept = [e for e in await bench.events(data.run, "note") if e["what"] == "capture failed"]
    assert (data.verdict, heard) == ("pass", [])
    assert noted
    assert {n.detail for n in noted} == {"the device has no capture"}
    assert len(kept) == len(noted)


async def test_a_run_that_ends_meanwhile_gives_its_capture_up(
    open_bench: OpenBench, monkeypatch: pytest.MonkeyPatch, heard: Heard
) -> None:
    asked: list[int] = []
    capture = SimulatedDevice.capture

    async def noted(device: SimulatedDevice, role: int, rate_hz: int, total: int) -> Capture:
        asked.append(total)
        return await capture(device, role, rate_hz, total)

    monkeypatch.setattr(SimulatedDevice, "capture", noted)
    async with open_bench(GOOD) as bench:
        run = await bench.begin()
        bench.hooks.append(lambda said: bench.stand.abort(run) if asked and isinstance(said, Live) else None)
        data = (await bench.ended(run)).data
    assert (data.verdict, data.why) == ("void", "aborted")
    assert (asked, heard) == ([4_000], [])
