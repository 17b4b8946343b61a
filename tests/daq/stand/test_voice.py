"""What goes to a publisher, state by state, each a payload that the contract's own models take."""

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from types import SimpleNamespace
from typing import Any, cast

import pytest

from daq.measure.convert import BITS, Column
from daq.measure.flow import Flow
from daq.measure.steps import Step
from daq.publish import contract as c
from daq.publish.publisher import Publisher
from daq.publish.text import Do
from daq.stand.line import Line
from daq.stand.orders import Orders
from daq.stand.said import Live, Stage
from daq.stand.voice import Voice, channels_now
from drivers.block import Link, LinkChange
from drivers.device import Device
from tests.daq.stand.bench import SCRIPTED, STREAMING, Bench
from tests.daq.stand.conftest import OpenBench

NOW = datetime(2031, 5, 4, 7, 12, 9, 120_000, tzinfo=UTC)
LITRES_PER_HOUR = 1 / 3.6e6
MODELS = {"stage": c.Stage, "status": c.Status, "meta": c.Meta, "verdict": c.Verdict}


@dataclass
class Paper:
    """A publisher that writes down what it is told."""

    connected: bool = True
    states: list[tuple[str, str]] = field(default_factory=list)
    lives: list[c.Live] = field(default_factory=list)

    def set_state(self, name: str, payload: str) -> None:
        self.states.append((name, payload))

    def set_status(self, status: c.Status) -> None:
        self.states.append(("status", c.text(status)))

    def live(self, payload: str) -> None:
        self.lives.append(c.Live.model_validate_json(payload))

    def all(self, name: str) -> list[Any]:
        """All payloads of a state, each read by its model."""
        return [MODELS[name].model_validate_json(text) for state, text in self.states if state == name]


@asynccontextmanager
async def speaking(open_bench: OpenBench, address: str = SCRIPTED) -> AsyncIterator[tuple[Bench, Voice, Paper]]:
    async with open_bench(address) as bench:
        voice, paper = Voice(bench.stand, simulated=False, now=lambda: NOW), Paper()
        bench.stand.listeners.append(voice.hear)
        voice.hear(bench.stand.link)
        voice.speak_through(cast(Publisher, paper))
        yield bench, voice, paper


def orders_of(bench: Bench) -> Orders:
    return Orders(bench.stand, Line(bench.stand, bench.store, must_acknowledge=False), now=lambda: NOW)


def start(**more: Any) -> c.Start:
    return c.Start(request_id="r1", valid_ms=1000, part="MH-2101", **more)


async def test_a_run_in_states(open_bench: OpenBench) -> None:
    async with speaking(open_bench) as (bench, _, paper):
        reply = await orders_of(bench).handle("start", start(serial="V4-00317"))
        assert (reply.state, reply.request_id) == ("accepted", "r1")
        data = (await bench.ended(str(reply.run))).data
        stages = paper.all("stage")
        assert stages[0].ready
        run = [s for s in stages if s.run == reply.run]
        assert list(dict.fromkeys(s.stage for s in run))[:3] == ["connect", "dry_check", "immerse"]
        assert all((s.part, s.serial, s.ready, s.sim) == ("MH-2101", "V4-00317", False, 1) for s in run)
        assert run[0].do == Do.WAIT
        assert all(s.text for s in run)
        last = stages[-1]
        assert (last.stage, last.do, last.ready) == ("idle", Do.REMOVE, True)
        [verdict] = paper.all("verdict")
        assert (verdict.run, verdict.code, verdict.word, verdict.sim) == (data.run, 1, "pass", 1)
        assert len(c.text(verdict)) <= 256
        assert paper.lives
        assert {live.run for live in paper.lives} == {data.run}


async def test_the_link_is_part_of_the_status(open_bench: OpenBench) -> None:
    async with speaking(open_bench, STREAMING) as (bench, voice, paper):
        assert (voice.status.state, voice.status.link, voice.status.sim) == ("online", "up", 1)
        bench.device.rig.faults.add("unplug", bench.device.rig.time)
        await bench.next(LinkChange, lambda change: change.link is Link.DOWN)
        status = paper.all("status")[-1]
        assert (status.state, status.link) == ("online", "down")
        assert status.boot == voice.status.boot
        assert paper.all("stage")[-1].blocked_by == ["link_down"]


async def test_meta_names_device_and_channels(open_bench: OpenBench) -> None:
    async with speaking(open_bench) as (bench, voice, paper):
        voice.hear(LinkChange(Link.UP, "again"))
        before, now = paper.all("meta")
        assert before.device is None
        assert (now.device.id, now.device.firmware, now.device.simulated) == ("4d48303062310001", "1.0.0", True)
        assert now.kinds == ["pump", "module", "module_return"]
        spans = {ch.name: (ch.unit, round(ch.low, 1), round(ch.high, 1), ch.reference) for ch in now.channels}
        assert spans["pressure"] == ("kPa", 0.0, 1000.0, "gauge")
        # 40 Hz and 240 Hz at 4550 and 4600 pulses per litre, an hour long
        assert spans["flow"] == ("L/h", round(40 / 4550 * 3600, 1), round(240 / 4600 * 3600, 1), None)
        assert spans["temperature"] == ("Cel", -20.0, 80.0, None)
        assert spans["level"] == ("%", 0.0, 100.0, None)
        pressure = next(ch for ch in now.channels if ch.name == "pressure")
        calibration = bench.stand.config.calibrations["pressure"]
        assert (pressure.calibrated, pressure.due) == (calibration.made, calibration.due)


async def test_another_device_in_the_place_of_the_first_is_told(open_bench: OpenBench) -> None:
    async with speaking(open_bench) as (bench, _, paper):
        other = replace(bench.device.identity, device_id="4d48303062310002", firmware="1.1.0")
        bench.stand.attach(cast(Device, SimpleNamespace(identity=other, simulated=True, virtual=True)))
        now = paper.all("meta")[-1]
        assert (now.device.id, now.device.firmware) == ("4d48303062310002", "1.1.0")
        bench.stand.attach(bench.device)


async def test_replies_to_requests(open_bench: OpenBench) -> None:
    async with open_bench() as bench:
        orders = orders_of(bench)
        unknown = await orders.handle("start", c.Start(request_id="r0", valid_ms=1, part="MH-9999"))
        assert (unknown.state, unknown.run) == ("refused", None)
        assert "MH-9999" in unknown.why
        run = str((await orders.handle("start", start())).run)
        again = await orders.handle("start", start())
        assert (again.state, "run_under_way" in again.why) == ("refused", True)
        early = await orders.handle("confirm", c.Confirm(request_id="r2", valid_ms=1, run=run, what=c.What.FILLED))
        assert (early.state, "confirm 'filled'" in early.why) == ("refused", True)
        done = await orders.handle("abort", c.Abort(request_id="r3", valid_ms=1, run=run))
        assert (done.state, done.run, done.time) == ("done", run, NOW)
        assert (await bench.ended(run)).data.why == "aborted"


async def test_nothing_live_without_a_connection(open_bench: OpenBench) -> None:
    async with speaking(open_bench) as (_, voice, paper):
        paper.connected = False
        voice.hear(Live(step(), None, "idle"))
        assert paper.lives == []
        paper.connected = True
        voice.hear(Live(step(), None, "idle"))
        [live] = paper.lives
        assert (live.run, live.stage, live.sim) == (None, "idle", 1)


async def test_a_stage_lasts_since_it_began(open_bench: OpenBench) -> None:
    async with open_bench() as bench:
        clock = iter(NOW.replace(second=k) for k in range(60))
        voice, paper = Voice(bench.stand, simulated=True, now=lambda: next(clock)), Paper()
        voice.speak_through(cast(Publisher, paper))
        voice.hear(Stage(None, None, ("power_on",)))
        idle, blocked = paper.all("stage")
        assert blocked.blocked_by == ["power_on"]
        assert blocked.since == idle.since


def step(faulty: int = 0, **changes: Any) -> Step:
    flow = Flow(*[120 * LITRES_PER_HOUR] * 3)
    made = Step(0, 0.05, 412_700.0, 13.5, 4.2, 296.15, 0.5, flow, None, lost=False, faulty=faulty, above=0, top=0.0)
    return replace(made, **changes)


def test_channels_in_the_units_of_the_contract() -> None:
    told = {name: q and (round(q.value, 6), q.unit, q.reference) for name, q in channels_now(step(), False).items()}
    assert told == {
        "pressure": (412.7, "kPa", "gauge"),
        "current": (4.2, "A", None),
        "voltage": (13.5, "V", None),
        "flow": (120.0, "L/h", None),
        "temperature": (23.0, "Cel", None),
        "level": (50.0, "%", None),
    }


@pytest.mark.parametrize("column", Column)
def test_a_channel_that_cannot_be_believed_is_null(column: Column) -> None:
    told = channels_now(step(BITS[column]), True)
    assert [name for name, q in told.items() if q is None] == [column.name.lower()]


def test_a_flow_known_within_bounds_is_null_and_a_channel_not_fitted_left_out() -> None:
    silent = Flow(float("nan"), 0.0, 2 * LITRES_PER_HOUR, silent=True)
    told = channels_now(step(flow=silent, temperature=float("nan"), level=float("nan")), False)
    assert (told["flow"], told["temperature"]) == (None, None)
    assert "level" not in told
