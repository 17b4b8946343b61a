"""Watching a blanked-off line: when it begins, what it refuses, and what it makes of a device's events."""

from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import cast

import numpy as np
import pytest

from daq.measure.channels import Channels
from daq.measure.errors import LeakError
from daq.measure.flow import Flow
from daq.measure.steps import Step
from daq.procedure.plan import Limits, Stand
from daq.stand.errors import StandError
from daq.stand.leak import LeakWatch, Phase, watch_leak
from drivers.block import Block, DeviceReset, Event, Link, LinkChange
from drivers.device import Device
from tests.daq.measure.blocks import CHANNELS
from tests.daq.stand.paper import Paper, under_pressure

STAND = Stand("marrow-hill", "bench-1", replace(CHANNELS, pressure=replace(CHANNELS.pressure, thermal=5e3)))
NOTHING = Flow(0.0, 0.0, 0.0, silent=True)


def step(t: float, pressure: float, **more: float) -> Step:
    plain = Step(round(t / 0.05), t, pressure, 0.0, 0.0, 293.15, 0.0, NOTHING, None, False, 0, 0, pressure)
    return replace(plain, **more)  # type: ignore[arg-type]


def pumped(t: float) -> float:
    """Three strokes of a hand pump, then a slow fall."""
    strokes = 150e3 * min(int(t / 3.0), 3)
    return strokes - 200.0 * max(t - 9.0, 0.0)


def steps(law: Callable[[float], float], until: float, **more: float) -> Iterator[Step]:
    for k in range(round(until / 0.05)):
        yield step(0.05 * k, law(0.05 * k), **more)


def fed(law: Callable[[float], float], until: float, record_s: float = 30.0, stand: Stand = STAND) -> LeakWatch:
    watch = LeakWatch(stand, 40.0, record_s)
    for each in steps(law, until):
        watch.feed(each)
    return watch


def test_it_begins_once_the_line_is_left_alone() -> None:
    assert fed(pumped, 4.0).phase is Phase.WAITING  # 150 kPa are not yet a fifth of the range
    assert fed(pumped, 8.0).phase is Phase.HOLDING
    assert fed(pumped, 18.5).phase is Phase.HOLDING  # the last stroke was at 9 s
    assert fed(pumped, 19.5).phase is Phase.RECORDING
    assert fed(pumped, 60.0).phase is Phase.DONE


def test_the_leak_of_a_watched_line() -> None:
    rng = np.random.default_rng(5)
    found = fed(lambda t: pumped(t) + rng.normal(0.0, 60.0), 60.0).found()
    assert [point.rate for point in found.points] == pytest.approx([200.0], rel=0.01)
    assert found.seconds == pytest.approx(30.0, abs=0.06)
    assert found.leak.temperature == pytest.approx(293.15)
    assert 0.1 < found.leak.doubt < 2.0


def test_without_a_sensor_the_temperature_is_doubted() -> None:
    bare = replace(STAND, channels=replace(STAND.channels, temperature=None))
    found = fed(pumped, 60.0, stand=bare).found()
    assert found.leak.temperature is None
    assert found.leak.doubt > 100.0  # 1 K of 5 kPa/K in 30 s


def test_a_line_that_does_not_hold_is_given_up() -> None:
    with pytest.raises(LeakError, match=r"expected 200\.0 kPa or more, left alone for 10 s.* found 180\.0 kPa at most"):
        fed(lambda t: 180e3, 320.0)
    with pytest.raises(LeakError, match="or never at rest; tighten what leaks"):
        fed(lambda t: 300e3 + 500.0 * t, 320.0)


@pytest.mark.parametrize(
    ("wrong", "match"),
    [
        ({"faulty": 1}, "channel pressure: expected a signal within its valid span"),
        ({"lost": True}, "expected every scan for 30 s, found some lost"),
        ({"edges": 1}, "expected no pulse with the valve shut, found the meter turning"),
        ({"voltage": 12.0}, r"supply: expected it off, found 12\.0 V at the terminals; switch it off"),
        ({"top": 960e3}, r"expected at most 950\.0 kPa, limits.pressure, found 960\.0 kPa; let the pressure down now"),
    ],
)
def test_what_spoils_the_record(wrong: dict[str, float], match: str) -> None:
    watch = fed(pumped, 25.0)
    with pytest.raises(LeakError, match=match):
        watch.feed(step(25.0, pumped(25.0), **wrong))


@pytest.mark.parametrize("wrong", [{"lost": True}, {"edges": 1}])
def test_what_does_not_before_it(wrong: dict[str, float]) -> None:
    watch = fed(pumped, 8.0)
    watch.feed(step(8.0, pumped(8.0), **wrong))
    assert watch.phase is Phase.HOLDING


async def watched(events: list[Event], channels: Channels = CHANNELS) -> list[str]:
    phases: list[str] = []
    stand = Stand("marrow-hill", "bench-1", channels, Limits())
    found = await watch_leak(cast(Device, Paper(events)), stand, 30.0, lambda watch, _: phases.append(watch.phase))
    assert found.points[0].rate == pytest.approx(500.0, rel=0.05)
    return list(dict.fromkeys(phases))


SCANS = 400e3 - 500.0 * np.arange(0.0, 45.0, 0.002)


async def test_a_device_is_watched_to_the_end() -> None:
    assert await watched(under_pressure(SCANS)) == ["holding", "recording", "done"]


@pytest.mark.parametrize(
    ("event", "match"),
    [
        (DeviceReset(None, "boot 2"), r"paper://bench: has restarted \(boot 2\)"),
        (LinkChange(Link.SILENT, "no byte for 2 s"), "paper://bench: no byte for 2 s; look at its power"),
    ],
)
async def test_a_device_that_fails_ends_it(event: Event, match: str) -> None:
    with pytest.raises(StandError, match=f"stand marrow-hill/bench-1: device {match}"):
        await watched([*under_pressure(SCANS[:10_000]), event, *under_pressure(SCANS[10_000:])])


async def test_a_device_that_is_gone() -> None:
    with pytest.raises(StandError, match="device paper://bench: gone before the leak was seen"):
        await watched([LinkChange(Link.UP, "identified"), *under_pressure(SCANS[:10_000])])


async def test_a_block_that_is_lost_ends_it() -> None:
    whole = [b for b in under_pressure(SCANS) if isinstance(b, Block)]
    holed = [*whole[:500], replace(whole[501], missing=25), *whole[502:]]
    with pytest.raises(StandError, match="expected every scan for 30 s, found some lost"):
        await watched(list(holed))
