"""The speed read from a capture of the simulated current, against the speed that the simulated rotor really has."""

import math
from pathlib import Path

import numpy as np
import pytest

from daq.catalogue.load import load_stand
from daq.measure.convert import Zero
from daq.measure.waveform import NotDetermined, Waveform, waveform_of
from daq.measure.waveform_capture import amperes
from drivers.block import Role
from drivers.device import open_device
from simulator.driver import SimulatedDevice

STAND = load_stand(Path(__file__).parents[3] / "config").stand
SEGMENTS = 8


async def captured(address: str, warm_up: float = 6.0) -> tuple[Waveform | NotDetermined, float, float]:
    """A capture in free flow, and the rotor's turns a second before and after."""
    device = await open_device(address)
    assert isinstance(device, SimulatedDevice)
    bench = device.bench
    bench.connect()
    bench.immerse()
    bench.switch(True)
    async for _ in device.events():
        if device.rig.time >= warm_up:
            break
    before = bench.truth().speed
    capture = await device.capture(Role.SHUNT, 20_000, 4_000)
    after = bench.truth().speed
    await device.close()
    samples = amperes(capture, STAND.channels, device.identity, Zero())
    wave = waveform_of(samples, capture.rate_hz, segments=SEGMENTS, overrange=capture.overrange)
    return wave, before / math.tau, after / math.tau


@pytest.mark.parametrize("unit", ["good-pump", "weak-pump", "bad-segment", "displacement", "dragging"])
async def test_the_speed_is_that_of_the_rotor(unit: str) -> None:
    wave, before, after = await captured(f"sim://depot/{unit}?seed=2")
    assert isinstance(wave, Waveform), wave
    assert wave.speed is not None
    assert wave.speed_doubt is not None
    low, high = sorted((before, after))
    assert low - 2 * wave.speed_doubt < wave.speed < high + 2 * wave.speed_doubt
    assert wave.speed_doubt < 1e-3 * wave.speed


async def test_a_bad_segment_shows_and_leaves_the_speed_alone() -> None:
    good, _, _ = await captured("sim://depot/good-pump")
    bad, _, _ = await captured("sim://depot/bad-segment")
    assert isinstance(good, Waveform)
    assert isinstance(bad, Waveform)
    assert good.irregularity is not None
    assert bad.irregularity is not None
    assert good.irregularity < 0.2
    assert bad.irregularity > 0.8
    odd = np.abs(bad.heights / np.median(bad.heights) - 1.0) > 0.5
    assert np.count_nonzero(odd) == 1


async def test_a_rotor_that_does_not_turn_has_no_speed() -> None:
    wave, before, after = await captured("sim://depot/seized")
    assert (before, after) == (0.0, 0.0)
    assert isinstance(wave, NotDetermined)
