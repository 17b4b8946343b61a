"""What a stand refuses, with the reason for a machine and the words for people."""

import asyncio
from collections.abc import Callable
from typing import Any

import pytest

from daq.catalogue.load import Catalogue
from daq.catalogue.stand_file import StandConfig
from daq.record.async_store import AsyncStore
from daq.record.store import Store
from daq.stand.errors import RefusedError, RequestError
from daq.stand.request import StartRequest
from daq.stand.said import Live, Stage
from daq.stand.stand import Stand
from drivers.device import open_device
from tests.daq.stand.bench import SCRIPTED, STREAMING, Bench
from tests.daq.stand.conftest import OpenBench

NOBODY = "01970000-0000-7000-8000-000000000001"


async def refused(bench: Bench, part: str = "MH-2101") -> RefusedError:
    with pytest.raises(RefusedError) as refusal:
        await bench.begin(part)
    return refusal.value


async def test_without_a_device_nothing_starts(config: StandConfig, catalogue: Catalogue) -> None:
    store = AsyncStore(config.database)
    await store.open()
    stand = Stand(config, catalogue, store)
    with pytest.raises(RefusedError, match="marrow-hill/bench-1: cannot start: link_down") as refusal:
        await stand.start(StartRequest("MH-2101"))
    assert refusal.value.reasons == ("link_down",)
    await store.close()


async def test_a_part_that_nobody_knows(open_bench: OpenBench) -> None:
    async with open_bench() as bench:
        refusal = await refused(bench, "MH-9999")
        assert refusal.reasons == ("unknown_part",)
        assert "MH-9999" in str(refusal)
        assert "MH-2101" in str(refusal)  # what there is
        assert bench.stand.blocked_by == ()


async def test_a_second_run_beside_the_first(open_bench: OpenBench) -> None:
    async with open_bench() as bench:
        run = await bench.begin()
        assert (await refused(bench)).reasons == ("run_under_way",)
        bench.stand.abort(run)
        await bench.ended(run)
        await bench.begin()


async def test_two_starts_at_once_give_one_run(open_bench: OpenBench) -> None:
    async with open_bench() as bench:
        both = await asyncio.gather(bench.begin(), bench.begin(), return_exceptions=True)
        assert sorted(type(one).__name__ for one in both) == ["RefusedError", "str"]


class Slow(AsyncStore):
    """Stores the start of a run only when `gate` is open."""

    gate: asyncio.Event

    async def ask(self, method: Callable[..., Any], *args: Any, **kwargs: Any) -> Any:
        if method is Store.start_run:
            await self.gate.wait()
        return await super().ask(method, *args, **kwargs)


async def test_a_start_that_meets_the_end_of_the_stand_is_a_void_run(config: StandConfig, catalogue: Catalogue) -> None:
    store, device = Slow(config.database), await open_device(SCRIPTED)
    store.gate = asyncio.Event()
    stand = Stand(config, catalogue, store)
    stand.attach(device)
    operating = asyncio.create_task(stand.operate(device))
    starting = asyncio.create_task(stand.start(StartRequest("MH-2101")))
    while not stand._starting.locked():  # it has been looked whether a run may begin  # noqa: ASYNC110
        await asyncio.sleep(0.001)
    operating.cancel()
    await asyncio.sleep(0)
    store.gate.set()
    await asyncio.gather(operating, return_exceptions=True)
    stored = await store.ask(Store.run, await starting)
    assert (stored.data["verdict"], stored.data["why"]) == ("void", "link down")
    await store.close()
    await device.close()


async def test_power_that_is_on_already(open_bench: OpenBench) -> None:
    async with open_bench(STREAMING) as bench:
        bench.device.bench.connect()
        bench.device.bench.switch(True)
        await bench.next(Stage, lambda s: "power_on" in s.blocked_by)
        refusal = await refused(bench)
        assert refusal.reasons == ("power_on",)
        assert "power_on (switch the unit's power off)" in str(refusal)
        bench.device.bench.switch(False)
        bench.said.clear()
        await bench.next(Stage, lambda s: not s.blocked_by)
        await bench.begin()


async def test_between_runs_the_channels_are_told(open_bench: OpenBench) -> None:
    async with open_bench(STREAMING) as bench:
        live = await bench.next(Live)
        assert (live.about, live.stage) == (None, "idle")
        assert abs(live.step.pressure) < 5e3
        assert abs(live.step.voltage) < 0.1


@pytest.mark.parametrize("run", [NOBODY, ""])
async def test_a_run_that_is_not_under_way(open_bench: OpenBench, run: str) -> None:
    async with open_bench() as bench:
        for ask in (lambda: bench.stand.confirm(run, "connected"), lambda: bench.stand.abort(run)):
            with pytest.raises(RefusedError, match=f"run {run} is not under way; found no run") as refusal:
                ask()
            assert refusal.value.reasons == ("no_such_run",)


async def test_a_run_under_way_is_not_touched_by_requests_for_another(open_bench: OpenBench) -> None:
    async with open_bench() as bench:
        run = await bench.begin()
        with pytest.raises(RefusedError, match=f"run {NOBODY} is not under way; found run {run}"):
            bench.stand.abort(NOBODY)
        with pytest.raises(RefusedError, match="found run"):
            bench.stand.confirm(NOBODY, "connected")
        assert bench.stand.blocked_by == ("run_under_way",)


async def test_a_confirmation_that_nobody_asked_for(open_bench: OpenBench) -> None:
    async with open_bench() as bench:
        run = await bench.begin()
        for what in ("filled", "nonsense"):
            with pytest.raises(RefusedError, match=f"confirm '{what}'") as refusal:
                bench.stand.confirm(run, what)
            assert refusal.value.reasons == ("not_asked",)


async def test_an_abort_gives_a_void_run_that_is_kept(open_bench: OpenBench) -> None:
    async with open_bench() as bench:
        run = await bench.begin()
        bench.at(3.0, lambda: bench.stand.abort(run))
        data = (await bench.ended(run)).data
        assert (data.verdict, data.why) == ("void", "aborted")
        assert (await bench.stored(run)).data["verdict"] == "void"
        assert data.recording is not None


async def test_a_stop_ends_the_run_with_its_reason(open_bench: OpenBench) -> None:
    async with open_bench() as bench:
        run = await bench.begin()
        bench.at(2.0, lambda: bench.stand.stop("daemon stopped"))
        assert (await bench.ended(run)).data.why == "daemon stopped"


async def test_removed_is_confirmed_after_the_run(open_bench: OpenBench) -> None:
    async with open_bench() as bench:
        run = await bench.begin()
        bench.stand.abort(run)
        await bench.ended(run)
        assert bench.stand.stage.removing
        bench.stand.confirm(run, "removed")
        assert not bench.stand.stage.removing
        with pytest.raises(RefusedError):
            bench.stand.confirm(run, "removed")


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("part", ""),
        ("part", "P" * 33),
        ("serial", "S" * 41),
        ("serial", 'a"b'),
        ("serial", "käfer"),
        ("order", "o" * 65),
        ("operator", "o" * 65),
    ],
)
def test_a_text_that_no_result_could_carry(name: str, value: str) -> None:
    with pytest.raises(RequestError, match=rf"request to start: {name}: expected at most \d\d .*; give another {name}"):
        StartRequest(**{"part": "MH-2101", name: value})


async def test_a_serial_is_assigned_and_attempts_are_counted(open_bench: OpenBench) -> None:
    async with open_bench() as bench:
        runs = []
        for serial in ({}, {"serial": "V4-00317"}, {"serial": "V4-00317"}):
            runs.append(await bench.begin(**serial))
            bench.stand.abort(runs[-1])
            await bench.ended(runs[-1])
        without, first, second = [(await bench.stored(run)).data for run in runs]
        assert without["serial"]
        assert not without["serial_given"]
        assert first["serial_given"]
        assert (second["attempt"], second["earlier_runs"]) == (2, [runs[1]])
