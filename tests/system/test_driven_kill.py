"""A driven run whose daemon is killed, stands still or is asked to stop: how soon the unit has no power.

The simulated stand runs in this process at the pace of the wall, on a pseudo-terminal; the daemon is a process of its
own.
"""

import asyncio
import shlex
import signal
from collections.abc import Callable
from math import inf
from pathlib import Path

from simulator.rig import Rig
from simulator.scenario import load_scenario
from tests import firmware_builds
from tests.system.bench import Child, Simulated, simulated, steadyhead

CONFIG = firmware_builds.ROOT / "config" / "stand-driven.toml"
LEASE_S = 0.5
SCAN_S = 0.002
STOPPED_S = 0.3
"""A daemon that is asked to stop switches off itself, and needs to wake up for it."""
FIRMWARES: dict[str, Callable[[], list[str]]] = {"python": list, "avr": firmware_builds.avr}
STAGES: dict[str, Callable[[Rig], bool]] = {
    "dry_check": lambda rig: not rig.bench.plant.immersed,
    "free_flow": lambda rig: rig.bench.plant.immersed and rig.bench.travel == 1.0,
    "throttle": lambda rig: 0.1 < rig.bench.travel < 0.6,
    "shutoff": lambda rig: rig.bench.travel == 0.0,
}
"""How the plant looks in each; power is on in all."""


async def begun(stand: Simulated, child: Child, stage: str) -> None:
    """Does what a person does, until the unit has power in a stage."""
    bench = stand.rig.bench
    await asyncio.sleep(7.0)  # the stand's zero is taken with nothing connected
    bench.connect()
    child.say("connected")
    await until(lambda: bench.plant.powered)
    if stage != "dry_check":
        await until(lambda: not bench.plant.powered)
        await asyncio.sleep(0.6)
        bench.immerse()
        child.say("in_fluid")
    await until(lambda: bench.plant.powered and STAGES[stage](stand.rig))
    await asyncio.sleep(0.3)
    assert bench.plant.powered


async def until(true: Callable[[], bool]) -> None:
    async with asyncio.timeout(120.0):
        while not true():  # noqa: ASYNC110  # the plant tells nobody
            await asyncio.sleep(0.002)


async def power_gone(how: signal.Signals, firmware: str, stage: str, folder: Path) -> tuple[float, float]:
    """Seconds from a signal to the daemon until the unit has no power: by the wall's clock, and by the bench's."""
    program = shlex.join(FIRMWARES[firmware]())
    rig = Rig(load_scenario("driven"), "good-pump", 1, program=program)
    try:
        async with simulated(rig, 1.0) as stand:
            words = ("run", "MH-2101", "--config", CONFIG, "--device", stand.address, "--data", folder)
            async with steadyhead(*words, stdin=True) as child:
                await begun(stand, child, stage)
                clock = asyncio.get_running_loop().time
                at, on_bench = clock(), rig.time
                child.process.send_signal(how)
                await until(lambda: not rig.bench.plant.powered)
                took = clock() - at, rig.time - on_bench
                await asyncio.sleep(0.5)
                assert not rig.bench.plant.powered  # and stays away
                if how is signal.SIGSTOP:
                    child.process.send_signal(signal.SIGCONT)
                    code, _ = await child.ended()
                    assert code != 0
            return took
    finally:
        rig.close()


Case = tuple[signal.Signals, str, str]
# The pace of the bench is the wall's, and a block of it is 20 or 28 ms: so much later a change is seen here.
SEEN_S = 0.03


def at_once(cases: list[Case], folder: Path) -> dict[Case, float]:
    """Several at a time, since most of their time is waiting; what each took on the bench (s). A machine that does much
    else holds up the bench itself, so one that was late is tried again, up to twice: a lease that does not hold is late
    every time."""
    took: dict[Case, float] = {}
    for k in range(3):
        left = [case for case in cases if took.get(case, inf) > limit(case[0])]
        took |= asyncio.run(_together(left, folder / str(k)))
    return took


async def _together(cases: list[Case], folder: Path) -> dict[Case, float]:
    ends = await asyncio.gather(*(power_gone(*case, folder / str(k)) for k, case in enumerate(cases)))
    return {case: bench for case, (_, bench) in zip(cases, ends, strict=True)}


def limit(how: signal.Signals) -> float:
    return LEASE_S + SCAN_S + SEEN_S if how in {signal.SIGKILL, signal.SIGSTOP} else STOPPED_S


def test_killed_in_every_stage_the_lease_ends_it(tmp_path: Path) -> None:
    cases = [("python", stage) for stage in STAGES] + [("avr", "dry_check"), ("avr", "shutoff")]
    took = at_once([(signal.SIGKILL, *case) for case in cases], tmp_path)
    assert max(took.values()) <= limit(signal.SIGKILL), took
    assert min(took.values()) > LEASE_S / 2, took  # nothing but the lease did it


def test_one_that_stands_still_is_ended_by_the_lease_and_one_that_is_asked_to_stop_at_once(tmp_path: Path) -> None:
    hows = (signal.SIGSTOP, signal.SIGTERM, signal.SIGINT)
    took = at_once([(how, firmware, "free_flow") for how in hows for firmware in FIRMWARES], tmp_path)
    for (how, *_), seconds in took.items():
        assert seconds <= limit(how), took
