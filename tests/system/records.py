"""What a data directory holds, and the words of the commands that write to it."""

from dataclasses import dataclass
from pathlib import Path

from daq.record.engine import sqlite_url
from daq.record.store import Store
from daq.record.values import Filter
from daq.stand.budget import KEPT
from tests.conftest import Mosquitto
from tests.system.bench import Json, Subscriber, says

CONFIG = Path(__file__).parents[2] / "config"
Words = tuple[str | Path, ...]


@dataclass(frozen=True, slots=True)
class Records:
    """A data directory, read apart from the process that writes it."""

    data: Path

    def runs(self) -> list[Json]:
        """Newest first, as stored, with what happened in them under `events`."""
        store = Store(sqlite_url(self.data / "records.db"))
        try:
            found = [store.run(line.run) for line in store.runs(Filter())]
            return [{**run.data, "events": [e.body for e in store.events(run.run)]} for run in found]
        finally:
            store.close()

    def result(self, run: str) -> Json:
        """What is stored of a run, as it is sent: without its events, its budgets and how its channels scattered."""
        [found] = [r for r in self.runs() if r["run"] == run]
        sent = {key: value for key, value in found.items() if key not in ("events", *KEPT)}
        return sent | {"readings": without_budgets(found["readings"])}

    def run_words(self, device: str, part: str = "MH-2101", config: Path = CONFIG) -> Words:
        return ("run", part, "--config", config, "--device", device, "--data", self.data, "--json")

    def serve_words(self, device: str, broker: Mosquitto, config: Path = CONFIG) -> Words:
        url = f"mqtt://{broker.host}:{broker.port}"
        return ("serve", "--config", config, "--device", device, "--broker", url, "--data", self.data, "--json")


def without_budgets(readings: list[Json]) -> list[Json]:
    """Readings as they are sent."""
    return [{key: value for key, value in reading.items() if key != "budget"} for reading in readings]


async def ready(heard: Subscriber) -> None:
    """A daemon is there, has its device, and takes a start."""
    await heard.next("status", says(state="online", link="up"))
    await heard.next("stage", says(ready=True, run=None))
