"""What a stand costs: processor and memory of `steadyhead serve` at 500 scans a second; how fast a run is judged again.

    python -m tests.studies.daemon_load [SECONDS]

The device is simulated in this process, on a pseudo-terminal, in real time; there is a broker with a subscriber.
"""

import asyncio
import signal
import sys
import tempfile
import time
from pathlib import Path

import psutil

from daq.stand.rejudge import in_force, rejudge
from drivers.device import Address
from drivers.replay import open_replay
from simulator.rig import Rig
from simulator.scenario import load_scenario
from tests.conftest import Mosquitto
from tests.studies.common import show
from tests.system.bench import Child, Subscriber, says, simulated, steadyhead, subscribed
from tests.system.records import Records, ready

PART, UNIT = "MH-2101", "good-pump"
ROUNDS = 5


async def load_of(child: Child, seconds: float) -> tuple[float, float]:
    """Share of one core over so many seconds, and the resident memory at their end in MB."""
    process = psutil.Process(child.process.pid)
    before, began = process.cpu_times(), time.perf_counter()
    await asyncio.sleep(seconds)
    after, took = process.cpu_times(), time.perf_counter() - began
    used = after.user + after.system - before.user - before.system
    return used / took, process.memory_info().rss / 1e6


async def in_a_run(child: Child, heard: Subscriber, rig: Rig, words: "asyncio.Queue[str]") -> tuple[float, float]:
    """The load from the start of a run to its verdict, and the memory after it."""
    process = psutil.Process(child.process.pid)
    run = (await heard.ask("start", part=PART))["run"]
    before, began = process.cpu_times(), time.perf_counter()

    async def operate() -> None:
        while True:
            rig.bench.operator.hear((await heard.next("stage", says(run=run)))["do"])

    async def confirm() -> None:
        while True:
            await heard.ask("confirm", run=run, what=await words.get())

    jobs = [asyncio.create_task(operate()), asyncio.create_task(confirm())]
    await child.heard.next("run_finished", wait=180.0)
    after, took = process.cpu_times(), time.perf_counter() - began
    for job in jobs:
        job.cancel()
    await asyncio.gather(*jobs, return_exceptions=True)
    return (after.user + after.system - before.user - before.system) / took, process.memory_info().rss / 1e6


async def rejudged(recording: Path) -> tuple[float, float]:
    """Seconds of samples, and the seconds that judging them took: the best of some rounds."""
    best, length = float("inf"), 0.0
    for _ in range(ROUNDS):
        device = await open_replay(Address(f"replay://{recording}", "replay", str(recording)))
        force = in_force(device)
        began = time.perf_counter()
        data = await rejudge(device, force)
        best = min(best, time.perf_counter() - began)
        length = data.quality.scans_received / device.identity.sample_hz
    return length, best


async def main(seconds: float) -> None:
    """Measures and shows a table."""
    with tempfile.TemporaryDirectory() as made:
        broker = Mosquitto(Path(made))
        broker.start()
        records, rig = Records(Path(made) / "data"), Rig(load_scenario("depot"), UNIT)
        words: asyncio.Queue[str] = asyncio.Queue()
        async with simulated(rig, 1.0) as stand, subscribed(broker.port) as heard:
            stand.confirmed = words.put_nowait
            async with steadyhead(*records.serve_words(stand.address, broker)) as child:
                await ready(heard)
                idle = await load_of(child, seconds)
                run = await in_a_run(child, heard, rig, words)
                await child.end(signal.SIGTERM)
        broker.stop()
        length, took = await rejudged(next((records.data / "recordings").iterdir()))
    rows = [
        (name, f"{share:.1%} of a core", f"{memory:.0f} MB") for name, (share, memory) in (("idle", idle), ("run", run))
    ]
    show(("daemon", "processor (to reach 5 %)", "memory (to reach 120 MB)"), rows)
    show(
        ("judged again", "took", "ratio (to reach 300)"), [(f"{length:.1f} s", f"{took:.3f} s", f"{length / took:.0f}")]
    )


if __name__ == "__main__":
    asyncio.run(main(float(sys.argv[1]) if len(sys.argv) > 1 else 60.0))
