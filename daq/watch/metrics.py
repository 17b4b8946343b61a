"""What a collector of metrics reads, in the text format of Prometheus. Names end in units, counters in `_total`."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Protocol

from prometheus_client import CollectorRegistry, generate_latest
from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, Metric

from daq import __version__
from daq.watch.progress import LoopLag
from drivers.block import Link, LinkCounts

CONTENT_TYPE = "text/plain; version=0.0.4; charset=utf-8"
COUNTS = {
    "scans": ("scans", "Scans that arrived; their rate is the rate of the device."),
    "scans_missing": ("scans_missing", "Scans that a gap in what arrived has swallowed."),
    "frames": ("frames", "Frames or lines that arrived whole."),
    "bad": ("frames_bad", "Frames or lines whose check failed."),
    "lost": ("frames_lost", "Frames that never arrived."),
    "resets": ("device_resets", "Restarts of the device."),
}
"""Counts of a link by their field, with the name of the metric and what it means."""


@dataclass(frozen=True, slots=True)
class Sight:
    """One stand as it is now; `oldest_s` is the age of the oldest message that waits, 0 where none does."""

    stand: str
    link: Link
    working: bool
    connected: bool
    ready: bool
    powered: bool
    blocks: int
    counts: LinkCounts
    alarms: tuple[str, ...]
    waiting: int
    oldest_s: float
    runs: dict[str, int]


class Watched(Protocol):
    """Whoever sees the stands."""

    lag: LoopLag

    def sights(self) -> Sequence[Sight]:
        """One for each stand."""
        ...

    def stuck(self) -> dict[str, list[str]]:
        """What stands still, by stand."""
        ...


class Metrics:
    """Makes the text from what is seen at the moment it is asked for."""

    def __init__(self, watched: Watched) -> None:
        self._watched = watched
        self._registry = CollectorRegistry(auto_describe=False)
        self._registry.register(self)

    def text(self) -> bytes:
        """All metrics."""
        return generate_latest(self._registry)

    def collect(self) -> Iterable[Metric]:
        """As the library asks for it."""
        sights = self._watched.sights()
        yield from self._daemon()
        yield from _states(sights)
        yield from _counts(sights)
        yield from _labelled(sights)

    def _daemon(self) -> Iterator[Metric]:
        built = GaugeMetricFamily("steadyhead_build_info", "Version at work.", labels=["version"])
        built.add_metric([__version__], 1)
        yield built
        lag = self._watched.lag
        yield GaugeMetricFamily("steadyhead_loop_lag_seconds", "By how much the event loop was late just now.", lag.lag)
        yield GaugeMetricFamily("steadyhead_loop_lag_worst_seconds", "The worst of the window under way.", lag.worst)
        stuck = GaugeMetricFamily("steadyhead_stuck", "Parts of a stand that stand still.", labels=["stand"])
        for stand, what in self._watched.stuck().items():
            stuck.add_metric([stand], len(what))
        yield stuck


def _states(sights: Sequence[Sight]) -> Iterator[Metric]:
    told = (
        ("working", "Whether its daemon is at work.", lambda s: s.working),
        ("link_up", "Whether its device answers.", lambda s: s.link is Link.UP),
        ("broker_connected", "Whether its broker is there.", lambda s: s.connected),
        ("ready", "Whether a run may begin now.", lambda s: s.ready),
        ("lease_powered", "Whether a lease keeps power on a unit.", lambda s: s.powered),
        ("outbox_messages", "Messages that wait for the broker.", lambda s: s.waiting),
        ("outbox_oldest_seconds", "Age of the oldest of them.", lambda s: s.oldest_s),
    )
    for name, text, value in told:
        family = GaugeMetricFamily(f"steadyhead_{name}", text, labels=["stand"])
        for sight in sights:
            family.add_metric([sight.stand], float(value(sight)))
        yield family


def _counts(sights: Sequence[Sight]) -> Iterator[Metric]:
    for field, (name, text) in COUNTS.items():
        family = CounterMetricFamily(f"steadyhead_{name}", text, labels=["stand"])
        for sight in sights:
            family.add_metric([sight.stand], getattr(sight.counts, field))
        yield family
    blocks = CounterMetricFamily("steadyhead_blocks", "Blocks of scans that were taken.", labels=["stand"])
    for sight in sights:
        blocks.add_metric([sight.stand], sight.blocks)
    yield blocks


def _labelled(sights: Sequence[Sight]) -> Iterator[Metric]:
    alarms = GaugeMetricFamily("steadyhead_alarm_active", "Alarms that stand now.", labels=["stand", "code"])
    runs = CounterMetricFamily("steadyhead_runs", "Runs ended since the start.", labels=["stand", "verdict"])
    for sight in sights:
        for code in sight.alarms:
            alarms.add_metric([sight.stand, code], 1)
        for verdict, number in sorted(sight.runs.items()):
            runs.add_metric([sight.stand, verdict], number)
    yield alarms
    yield runs
