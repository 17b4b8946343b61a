"""Four stands in one process, two of which fail in their ways: the other two do not notice."""

import asyncio
import fcntl
import shutil
from pathlib import Path

from tests.conftest import Mosquitto
from tests.system.bench import Child, Subscriber, says, steadyhead, subscribed
from tests.system.records import CONFIG, Records, ready
from tests.system.test_watched_daemon import page

PLANT = "steadyhead/v1/marrow-hill"
GOOD = "sim://scripted?script=1"
"""A good pump, and a person who goes by the clock in the first run and does nothing in the second."""
WORDS = ("pass", "void")


def written(folder: Path, name: str, device: str) -> Path:
    """A stand's file beside the parts that all of them share."""
    text = (folder / "stand.toml").read_text(encoding="utf-8")
    for before, after in (
        ("example = true\n", ""),
        ('stand = "bench-1"', f'stand = "{name}"'),
        ("serial:///dev/ttyACM0", device),
    ):
        assert text.count(before) == 1
        text = text.replace(before, after)
    (folder / f"{name}.toml").write_text(text, encoding="utf-8")
    return folder / f"{name}.toml"


async def judged(heard: Subscriber, serial: str) -> str:
    """One whole run; its verdict."""
    run = (await heard.ask("start", part="MH-2101", serial=serial))["run"]
    return str((await heard.next("verdict", says(run=run)))["word"])


async def results(heard: Subscriber, number: int) -> list[tuple[int, str]]:
    came = [(await heard.next("result"))["data"] for _ in range(number)]
    return [(data["seq"], data["serial"]) for data in came]


async def metric(child: Child, name: str) -> float:
    _, text = await page(child, "/metrics")
    return max(float(line.split()[-1]) for line in text.splitlines() if line.startswith(name))


async def test_one_that_fails_touches_no_other(records: Records, mosquitto: Mosquitto, tmp_path: Path) -> None:
    folder = Path(shutil.copytree(CONFIG, tmp_path / "config"))
    devices = {"bench-1": GOOD, "bench-2": GOOD, "bench-3": f"serial://{tmp_path}/unplugged", "bench-4": GOOD}
    files = [written(folder, name, device) for name, device in devices.items()]
    records.data.mkdir(exist_ok=True)
    url = f"mqtt://{mosquitto.host}:{mosquitto.port}"
    more = ("--broker", url, "--data", records.data, "--json", "--probe", "0")
    words = [word for file in files for word in ("--config", file)]
    with (records.data / "marrow-hill-bench-4.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        async with (
            steadyhead("serve", *words, *more) as child,
            subscribed(mosquitto.port, base=f"{PLANT}/bench-1") as one,
            subscribed(mosquitto.port, base=f"{PLANT}/bench-2") as two,
            subscribed(mosquitto.port, base=f"{PLANT}/bench-3") as three,
        ):
            await asyncio.gather(ready(one), ready(two))
            assert "link_down" in (await three.next("stage"))["blocked_by"]
            failed = await child.heard.next("stand_failed")
            assert failed["stand"] == "marrow-hill/bench-4"
            assert "expected nobody else at work on it" in failed["text"]
            assert "the other stands go on" in failed["text"]
            assert await page(child, "/live") == (200, "live\n")
            assert await page(child, "/ready") == (503, "not at work: marrow-hill/bench-4\n")

            for k, word in enumerate(WORDS):
                assert await asyncio.gather(judged(one, f"A{k}"), judged(two, f"B{k}")) == [word, word]
            for heard, name in ((one, "A"), (two, "B")):
                assert await results(heard, len(WORDS)) == [(k + 1, f"{name}{k}") for k in range(len(WORDS))]
            beats = [body["n"] for topic, body in one.came if topic == "heartbeat"]
            assert beats == list(range(beats[0], beats[0] + len(beats)))
            assert await metric(child, "steadyhead_loop_lag_worst_seconds") < 0.5
            code, errors = await child.end()
            assert (code, errors) == (0, "")
    assert sorted(run["serial"] for run in records.runs()) == ["A0", "A1", "B0", "B1"]
