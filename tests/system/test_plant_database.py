"""Two daemons in two processes write one plant's database: every result arrives once, and numbers are given once."""

import asyncio
import shutil
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from daq.record.store import Store
from daq.record.values import Filter
from tests.conftest import Mosquitto
from tests.postgres import PASSWORD, USER, Postgres
from tests.system.bench import Json, Subscriber, says, steadyhead, subscribed
from tests.system.records import CONFIG, ready

ROUNDS = 3
STANDS = ("bench-1", "bench-2")


@pytest.fixture
def database(postgres: Postgres) -> Iterator[str]:
    """An empty one, which both daemons find so at their start."""
    name = postgres.make()
    yield name
    postgres.drop(name)


def configured(folder: Path, stand: str, server: Postgres, database: str) -> Path:
    """What ships, as another stand whose records go to the server; its password lies in a file."""
    config = folder / stand / "config"
    shutil.copytree(CONFIG, config)
    secret = folder / "password"
    secret.write_text(f"{server.host}:{server.port}:{database}:{USER}:{PASSWORD}\n")
    secret.chmod(0o600)
    url = f"postgresql+psycopg://{USER}@{server.host}:{server.port}/{database}?passfile={secret}"
    text = (config / "stand.toml").read_text()
    for old, new in (
        ('stand = "bench-1"', f'stand = "{stand}"'),
        ("~/.local/share/steadyhead", str(folder / stand / "data")),
        ("sqlite:///{data}/records.db", url),
    ):
        assert old in text
        text = text.replace(old, new, 1)
    (config / "stand.toml").write_text(text)
    return config


async def a_run(heard: Subscriber) -> Json:
    """The result of a run on one of the stands, all of them of the same unit; what it says does not matter here."""
    reply = await heard.ask("start", part="MH-2101", serial="K00317")
    assert reply["state"] == "accepted", reply
    assert (await heard.ask("abort", run=reply["run"]))["state"] in {"accepted", "done"}
    result: Json = (await heard.next("result", lambda body: body["id"] == reply["run"]))["data"]
    await heard.next("stage", says(ready=True, run=None))
    return result


async def test_a_server_that_is_away_at_the_start_is_waited_for(
    tmp_path: Path, mosquitto: Mosquitto, postgres: Postgres, database: str
) -> None:
    config, broker = configured(tmp_path, "bench-1", postgres, database), f"mqtt://{mosquitto.host}:{mosquitto.port}"
    words = ("serve", "--config", config, "--device", "sim://scripted?script=1", "--broker", broker, "--json")
    postgres.stop()
    async with subscribed(mosquitto.port) as heard, steadyhead(*words) as child:
        failed = await child.heard.next("stand_failed", wait=60.0)
        assert "it is tried again" in failed["text"]
        postgres.start()
        await ready(heard)
        assert (await a_run(heard))["verdict"] == "void"
        assert (await child.end())[0] == 0


async def test_two_daemons_and_one_database(
    mosquitto: Mosquitto, postgres: Postgres, database: str, tmp_path: Path
) -> None:
    broker = f"mqtt://{mosquitto.host}:{mosquitto.port}"
    words = [
        ("serve", "--config", configured(tmp_path, stand, postgres, database), "--broker", broker, "--json")
        for stand in STANDS
    ]
    device = ("--device", "sim://depot/good-pump?pace=5")
    bases = [f"steadyhead/v1/marrow-hill/{stand}" for stand in STANDS]
    async with (
        subscribed(mosquitto.port, base=bases[0]) as first,
        subscribed(mosquitto.port, base=bases[1]) as second,
        steadyhead(*words[0], *device) as one,
        steadyhead(*words[1], *device) as two,
    ):
        await asyncio.gather(ready(first), ready(second))
        results = []
        for k in range(ROUNDS):
            results += await asyncio.gather(a_run(first), a_run(second))
            if k == 0:  # a stand at rest goes on; what it has to send may wait until it asks the database again
                postgres.stop()
                postgres.start()
        ended = await asyncio.gather(one.end(), two.end())
    assert ended == [(0, ""), (0, "")]
    assert [(r["stand"], r["seq"]) for r in results] == [(s, k + 1) for k in range(ROUNDS) for s in STANDS]
    assert sorted(r["attempt"] for r in results) == list(range(1, 2 * ROUNDS + 1))
    assert {(r["verdict"], r["why"]) for r in results} == {("void", "aborted")}
    said = "".join((*one.output, *two.output))
    assert f"{postgres.port}/{database}" in said
    assert PASSWORD not in said
    with closing(Store(postgres.url(database), reads=True)) as store:
        store.open()
        assert {line.run for line in store.runs(Filter())} == {r["run"] for r in results}
        assert store.stats().unsent == 0
        # Neither table nor recording carries the password along.
        assert PASSWORD not in str([store.run(r["run"]) for r in results])
    recordings = await asyncio.to_thread(lambda: [file.read_bytes() for file in tmp_path.rglob("*.rec")])
    assert len(recordings) == len(results)
    assert not any(PASSWORD.encode() in recording for recording in recordings)
