"""Four stands in one process with a real broker: a mistake in the middle of a run at one, a database that cannot be
opened at another, and two that test pump after pump meanwhile and do not notice."""

import asyncio
import json
import time
from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import aiomqtt
import pytest

from daq.catalogue.load import load_catalogue, load_stand
from daq.stand.request import StartRequest
from daq.stand.said import Finished, Stage
from daq.watch import keeper as keeping
from daq.watch.keeper import Keeper, Loaded
from daq.watch.manager import Manager
from daq.watch.progress import LoopLag
from daq.watch.service import Service
from tests.conftest import Mosquitto

CONFIG = Path(__file__).parents[3] / "config"
BEAT_S = 3.0
"""A PLC takes a heartbeat that is gone for so long as a daemon that is gone: see the contract's page."""
Json = dict[str, Any]


class Mistaken(keeping.Daemon):
    """At bench-3 whoever listens makes a mistake when the first run comes to its free flow."""

    made = False

    def __init__(self, *words: Any) -> None:
        super().__init__(*words)
        if self.stand.key.endswith("bench-3"):
            self.stand.listeners.append(self.mistake)

    def mistake(self, said: object) -> None:
        if isinstance(said, Stage) and said.now is not None and said.now.stage == "free_flow" and not Mistaken.made:
            Mistaken.made = True
            raise KeyError("not meant to happen")


def stands(folder: Path, broker: Mosquitto) -> list[tuple[Loaded, Callable[[], Loaded]]]:
    """Four; the database of the last is to lie where a file stands in its way."""
    shipped = load_stand(CONFIG)
    catalogue = load_catalogue(CONFIG, shipped.stand)
    made = []
    for k in range(4):
        database = folder / "closed" / "records.db" if k == 3 else folder / "records.db"
        config = replace(
            shipped,
            stand=replace(shipped.stand, name=f"bench-{k + 1}"),
            device="sim://depot/good-pump?seed=5",
            data=folder / "records",
            database=f"sqlite:///{database}",
            broker=replace(shipped.broker, host=broker.host, port=broker.port),
        )
        made.append(((config, catalogue), lambda config=config: (config, catalogue)))  # type: ignore[misc]
    (folder / "closed").write_text("in the way")
    return made


async def until(true: Callable[[], bool]) -> None:
    async with asyncio.timeout(30):
        while not true():  # noqa: ASYNC110, nobody says it
            await asyncio.sleep(0.02)


async def judged(keeper: Keeper, serial: str) -> str:
    """One run from start to verdict, by somebody who does what is asked; the word of the verdict."""
    await until(lambda: keeper.working and keeper.daemon is not None and not keeper.daemon.stand.blocked_by)
    assert keeper.daemon is not None
    stand, device = keeper.daemon.stand, keeper.daemon.device
    ended: asyncio.Future[str] = asyncio.get_running_loop().create_future()

    def hear(said: object) -> None:
        if isinstance(said, Stage) and said.now is not None:
            device.operator.hear(said.now.do.value)  # type: ignore[union-attr]
        if isinstance(said, Finished):
            ended.set_result(said.data.verdict.value)

    stand.listeners.insert(0, hear)
    device.bench.mount("good-pump")  # type: ignore[union-attr]
    await stand.start(StartRequest("MH-2101", serial))
    word = await ended
    stand.listeners.remove(hear)
    await stand.settled()
    return word


class Heard:
    """All results and heartbeats, with when they came."""

    def __init__(self) -> None:
        self.results: list[Json] = []
        self.beats: dict[str, list[tuple[float, int]]] = {}

    async def listen(self, port: int, listening: asyncio.Event) -> None:
        async with aiomqtt.Client("127.0.0.1", port) as client:
            await client.subscribe("steadyhead/v1/marrow-hill/+/result", qos=1)
            await client.subscribe("steadyhead/v1/marrow-hill/+/heartbeat")
            listening.set()
            async for message in client.messages:
                assert isinstance(message.payload, bytes)
                body, stand = json.loads(message.payload), str(message.topic).split("/")[3]
                if str(message.topic).endswith("result"):
                    self.results.append(body["data"])
                else:
                    self.beats.setdefault(stand, []).append((time.monotonic(), body["n"]))

    def of(self, stand: str) -> list[Json]:
        return [data for data in self.results if data["stand"] == stand]


async def test_two_that_fail_in_their_ways_harm_no_other(
    tmp_path: Path, mosquitto: Mosquitto, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(keeping, "Daemon", Mistaken)
    monkeypatch.setattr(keeping, "FIRST_WAIT_S", 60.0)
    log: list[Json] = []
    service = Service(stands(tmp_path, mosquitto), log.append, manager=Manager({}))
    heard, listening, stop, reload = Heard(), asyncio.Event(), asyncio.Event(), asyncio.Event()
    hearing, lag = asyncio.create_task(heard.listen(mosquitto.port, listening)), LoopLag()
    lagging = asyncio.create_task(lag.run())
    await listening.wait()
    working = asyncio.create_task(service.run(stop, reload))

    async def bench(keeper: Keeper, words: list[str]) -> list[str]:
        return [await judged(keeper, f"{keeper.name[-1]}-{k}") for k in range(len(words))]

    one, two, three, four = service.keepers
    expected = {one: ["pass"] * 2, two: ["pass"] * 2, three: ["void", "pass"], four: ["pass"]}

    async def mend() -> None:
        await until(lambda: {r["stand"] for r in log if r["event"] == "stand_failed"} == {three.name, four.name})
        (tmp_path / "closed").unlink()
        reload.set()  # or both would be begun again after a minute

    ends = await asyncio.gather(*(bench(keeper, words) for keeper, words in expected.items()), mend())
    assert ends[:4] == list(expected.values())
    lagging.cancel()
    await until(lambda: len(heard.results) == sum(map(len, expected.values())))
    stop.set()
    await working
    hearing.cancel()
    await asyncio.gather(hearing, lagging, return_exceptions=True)

    for keeper, words in expected.items():
        came = heard.of(keeper.config.stand.name)
        assert [(r["seq"], r["serial"], r["verdict"]) for r in came] == [
            (k + 1, f"{keeper.name[-1]}-{k}", word) for k, word in enumerate(words)
        ]
    # The same seed, unit and person: to the last digit what another stand found in its first run.
    assert heard.of("bench-1")[0]["readings"] == heard.of("bench-2")[0]["readings"] != []
    failed = [r for r in log if r["event"] == "stand_failed"]
    assert {r["stand"] for r in failed} == {three.name, four.name}
    assert "KeyError: 'not meant to happen'" in next(r for r in failed if r["stand"] == three.name)["text"]
    assert "closed" in next(r for r in failed if r["stand"] == four.name)["text"]
    assert sorted(r["stand"] for r in log if r["event"] == "starting").count(one.name) == 1

    for stand in ("bench-1", "bench-2"):
        beats = heard.beats[stand]
        assert [b for _, b in beats] == list(range(len(beats)))
        assert max((b - a for (a, _), (b, _) in pairwise(beats)), default=0.0) < BEAT_S
    assert lag.worst < BEAT_S / 3
