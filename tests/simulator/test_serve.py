"""The simulated stand for other programs: its lines in and out."""

import asyncio
from collections.abc import AsyncIterator

import pytest

from drivers.block import Block, Input, Replayed
from drivers.device import Address
from drivers.stand_link import open_serial
from simulator.errors import ScenarioError, SimulatorError
from simulator.rig import Rig
from simulator.scenario import load_scenario
from simulator.scenario_keys import INPUTS
from simulator.serve import Steering, simulate
from tests.simulator.common import depot

FAST = 40.0


class Talk:
    """Lines in, put by the test; lines out, kept for it."""

    def __init__(self) -> None:
        self.queue: asyncio.Queue[str | None] = asyncio.Queue()
        self.said: asyncio.Queue[str] = asyncio.Queue()

    async def lines(self) -> AsyncIterator[str]:
        while (line := await self.queue.get()) is not None:
            yield line

    def start(self, *, tcp: tuple[str, int] | None = None, unit: str = "good-pump") -> "asyncio.Task[None]":
        return asyncio.create_task(
            simulate(
                "depot",
                unit,
                pace=FAST,
                script=False,
                seed=3,
                tcp=tcp,
                lines_in=self.lines(),
                say=self.said.put_nowait,
            )
        )


async def test_it_says_its_address_hears_words_and_says_confirmations() -> None:
    talk = Talk()
    running = talk.start()
    address = await talk.said.get()
    device = await open_serial(Address.parse(address))
    talk.queue.put_nowait("do connect\n")
    assert await talk.said.get() == "confirm connected"
    talk.queue.put_nowait('{"stage": "dry_check", "do": "immerse", "sim": 1}')
    assert await talk.said.get() == "confirm in_fluid"
    async for event in device.events():
        assert not isinstance(event, Replayed)  # over a real port there are only the device's own events
        if isinstance(event, Block):
            break
    await device.close()
    talk.queue.put_nowait("quit")
    await running


async def test_over_tcp_and_an_end_of_lines_ends_it() -> None:
    talk = Talk()
    running = talk.start(tcp=("127.0.0.1", 0))
    assert (await talk.said.get()).startswith("tcp://127.0.0.1:")
    talk.queue.put_nowait("unit module")
    talk.queue.put_nowait(None)
    await running


async def test_an_empty_input_steers_nothing_and_ends_nothing() -> None:
    talk = Talk()
    talk.queue.put_nowait(None)
    running = talk.start()
    address = await talk.said.get()
    device = await open_serial(Address.parse(address))
    await device.close()
    assert not running.done()
    running.cancel()
    with pytest.raises(asyncio.CancelledError):
        await running


async def test_a_line_that_makes_no_sense_is_said_and_it_goes_on() -> None:
    talk = Talk()
    running = talk.start()
    await talk.said.get()
    talk.queue.put_nowait("do dance")
    assert "word to the operator 'dance'" in await talk.said.get()
    talk.queue.put_nowait("fault unplug")
    await running


async def test_a_scenario_that_is_not_there() -> None:
    with pytest.raises(ScenarioError, match="'nowhere'"):
        await simulate(
            "nowhere", "x", pace=1.0, script=False, seed=1, tcp=None, lines_in=Talk().lines(), say=lambda line: None
        )


def steering() -> tuple[Rig, Steering]:
    rig = Rig(depot(), "good-pump", 1)
    return rig, Steering(rig)


def test_lines_move_switch_valve_unit_and_faults() -> None:
    rig, lines = steering()
    assert lines.take("power on")
    assert rig.bench.powered
    lines.take("power off")
    assert not rig.bench.powered
    lines.take("valve 0.5")
    for _ in range(50):
        rig.run()
    assert rig.bench.truth().travel == pytest.approx(0.5)
    lines.take("fault seized")
    assert rig.bench.design.unit.seized
    lines.take("unit module")
    assert rig.bench.design.part == "MH-3310"
    lines.take("fault unplug")
    assert rig.unplugged
    assert lines.take("")
    assert not lines.take("quit")


def test_lines_open_and_close_inputs() -> None:
    rig = Rig(load_scenario("driven"), "good-pump", 1)
    lines, fitted = Steering(rig), rig.bench.scenario.device.inputs_fitted
    for name, which in INPUTS.items():
        lines.take(f"input {name} open")
        assert rig.bench.inputs == fitted & ~which
        lines.take(f"input {name} closed")
        assert rig.bench.inputs == fitted
    lines.take("fault stop_open")
    assert rig.bench.inputs == fitted & ~Input.STOP_CIRCUIT


@pytest.mark.parametrize("line", ["input door open", "input stop_circuit", "input splash_guard ajar"])
def test_inputs_that_make_no_sense(line: str) -> None:
    with pytest.raises(SimulatorError, match=r"input '?\w+'? .*known are"):
        Steering(Rig(load_scenario("driven"), "good-pump", 1)).take(line)


@pytest.mark.parametrize(
    ("line", "named"),
    [
        ("input stop_circuit open", "input 'stop_circuit': not fitted"),
        ("jump", "line 'jump'"),
        ("power maybe", "power 'maybe'"),
        ("valve wide", "valve 'wide'"),
        ("unit none", "unit 'none'"),
        ("fault rust", "fault 'rust'"),
        ("fault loss:x", "line fault 'loss:x'"),
        ("{broken", "begins as JSON"),
    ],
)
def test_lines_that_make_no_sense(line: str, named: str) -> None:
    with pytest.raises(SimulatorError, match=named):
        steering()[1].take(line)
