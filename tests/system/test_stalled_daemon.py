"""A daemon that stands still for seconds in every stage of a run: a followed run ends with the same digits all the
same, since every scan waits on the line; a driven one has lost its power by the lease, and says so."""

import asyncio
import json
import signal
from dataclasses import dataclass
from pathlib import Path

import pytest

from daq.cli.exits import Exit
from simulator.rig import Rig
from simulator.scenario import load_scenario
from tests.system.bench import Json, simulated, simulated_from_stream, steadyhead
from tests.system.test_driven_kill import CONFIG as DRIVEN
from tests.system.test_driven_kill import STAGES, begun, until
from tests.system.test_same_numbers import Case, check_but_for_captures, check_equal, fast, replayed

PUMP = Case("MH-2101", "good-pump", "scripted")


@dataclass(frozen=True)
class Stalls:
    """When the daemon stands still, in seconds of the bench, and for how many seconds of the wall."""

    pace: float
    tcp: bool
    at: dict[float, float]


IN_EVERY_STAGE = {
    "a port, whose buffer holds some two seconds": Stalls(
        1.6, False, dict.fromkeys((1.0, 9.9, 15.0, 19.2, 32.5, 37.2, 47.2, 52.5, 64.0), 1.5)
    ),
    "a network": Stalls(
        2.5,
        True,
        {1.0: 2.0, 9.9: 1.5, 15.0: 1.2, 19.2: 3.0, 32.5: 1.5, 37.2: 3.0, 47.2: 1.5, 52.5: 3.0, 64.0: 1.5},
    ),
}
"""At rest, in the dry check, before immersion, at free flow, while the valve closes, at shutoff, while it opens, at
free flow again, and at power-off. No word of the person's falls into one: where it came would differ."""


async def stalled(stalls: Stalls, folder: Path) -> Json:
    rig = Rig(load_scenario(PUMP.scenario), PUMP.unit, script=True)
    async with (
        simulated_from_stream(rig, stalls.pace, tcp=stalls.tcp) as stand,
        steadyhead(*PUMP.words(stand.address, folder), stdin=True) as child,
    ):
        stand.confirmed = child.say
        for at, seconds in stalls.at.items():
            async with asyncio.timeout(60):
                while rig.time < at:  # noqa: ASYNC110  # the rig tells nobody
                    await asyncio.sleep(0.01)
            child.process.send_signal(signal.SIGSTOP)
            await asyncio.sleep(seconds)
            child.process.send_signal(signal.SIGCONT)
        code, errors = await child.ended()
    assert (code, errors) == (Exit.PASS, ""), f"{errors}{''.join(child.output)}"
    made: Json = json.loads("".join(child.output))
    return made


@pytest.mark.parametrize("stalls", IN_EVERY_STAGE.values(), ids=IN_EVERY_STAGE)
async def test_a_followed_run_has_the_same_digits(stalls: Stalls, tmp_path: Path) -> None:
    over_line = await stalled(stalls, tmp_path / "line")
    quality = over_line["quality"]
    assert quality["scans_received"] == quality["scans_expected"]
    check_equal(over_line, await replayed(tmp_path / "line" / over_line["recording"]["file"]))
    check_but_for_captures(over_line, await fast(PUMP, tmp_path / "fast"))


async def lost_power(stage: str, folder: Path) -> Json:
    """The result of a driven run whose daemon stood still for 1.5 s in a stage."""
    rig = Rig(load_scenario("driven"), "good-pump", 1)
    async with simulated(rig, 1.0) as stand:
        words = ("run", "MH-2101", "--config", DRIVEN, "--device", stand.address, "--data", folder, "--json")
        async with steadyhead(*words, stdin=True) as child:
            await begun(stand, child, stage)
            child.process.send_signal(signal.SIGSTOP)
            await until(lambda: not rig.bench.plant.powered)
            await asyncio.sleep(1.0)
            child.process.send_signal(signal.SIGCONT)
            code, errors = await child.ended()
            assert code == Exit.VOID, errors
            assert "trip: lease; find out why the daemon stood still or the line broke" in errors
            assert not rig.bench.plant.powered
    made: Json = json.loads("".join(child.output))
    return made


async def test_a_driven_run_says_that_its_lease_ran_out(tmp_path: Path) -> None:
    results = await asyncio.gather(*(lost_power(stage, tmp_path / stage) for stage in STAGES))
    assert [(r["verdict"], r["why"]) for r in results] == [("void", "trip: lease")] * len(STAGES)
