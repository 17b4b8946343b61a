"""The watchdog's food, the alarm of a loop that is late, and what a probe and a collector of metrics are told."""

import asyncio
import re
from collections.abc import AsyncIterator
from pathlib import Path
from typing import cast

import pytest
from prometheus_client.parser import text_string_to_metric_families

from daq.catalogue.load import load_catalogue, load_stand
from daq.publish.notices import Code, Notice
from daq.stand.daemon import Daemon
from daq.watch.manager import Manager
from daq.watch.overseer import IN_TIME_S, LATE_S, Overseer
from daq.watch.progress import DEVICE_S
from drivers.block import Link, LinkChange, LinkCounts
from drivers.device import Device

CONFIG = Path(__file__).parents[3] / "config"


class Kept(Manager):
    """A manager that keeps what it hears."""

    def __init__(self) -> None:
        super().__init__({})
        self.heard: list[tuple[str, ...]] = []

    def _tell(self, *lines: str) -> None:
        self.heard.append(lines)


class Plugged:
    virtual = False
    counts = LinkCounts(frames=90, bad=2, lost=1, scans=2700, scans_missing=30)


class Clock:
    now = 0.0

    def __call__(self) -> float:
        return self.now


class Bench:
    def __init__(self, tmp_path: Path) -> None:
        from dataclasses import replace

        stand = load_stand(CONFIG)
        config = replace(stand, data=tmp_path, database=f"sqlite:///{tmp_path / 'records.db'}")
        self.said: list[object] = []
        self.daemon = Daemon(config, load_catalogue(CONFIG, stand.stand), self.said.append)
        self.daemon.device, self.daemon.working = cast(Device, Plugged()), True
        self.daemon.stand.link = LinkChange(Link.UP, "")
        self.manager, self.clock = Kept(), Clock()
        self.overseer = Overseer(self.manager, self.clock)
        self.overseer.watch(self.daemon)

    def look(self, seconds: float) -> list[tuple[str, ...]]:
        """Looks once a second for so long; gives what the manager heard."""
        before = len(self.manager.heard)
        for _ in range(round(seconds)):
            self.overseer.look()
            self.clock.now += 1.0
        return self.manager.heard[before:]

    def metrics(self) -> dict[tuple[str, str], float]:
        """Values by name and code or verdict, else stand."""
        status, kind, body = self.overseer.pages["/metrics"]()
        assert (status, kind.split(";")[0]) == (200, "text/plain")
        families = text_string_to_metric_families(body.decode())
        about = ("code", "verdict", "stand")
        return {
            (s.name, next((s.labels[name] for name in about if name in s.labels), "")): s.value
            for family in families
            for s in family.samples
        }


@pytest.fixture
async def bench(tmp_path: Path) -> AsyncIterator[Bench]:
    made = Bench(tmp_path)
    await made.daemon.store.open()
    yield made
    made.overseer.leave(made.daemon)
    await asyncio.sleep(0)
    await made.daemon.store.close()


async def test_a_device_that_hangs_starves_the_watchdog(bench: Bench) -> None:
    fed = bench.look(DEVICE_S)
    assert {lines[0] for lines in fed} == {"WATCHDOG=1"}
    assert fed[0][1] == "STATUS=marrow-hill/bench-1 up"
    bench.look(2)
    starved = bench.look(5)
    assert all(re.match(r"STATUS=marrow-hill/bench-1: device: nothing moved", lines[0]) for lines in starved)
    assert bench.overseer.pages["/live"]()[0] == 503
    bench.daemon.stand.taken += 1
    assert bench.look(1)[0][0] == "WATCHDOG=1"
    assert bench.overseer.pages["/live"]()[0] == 200


async def test_a_loop_that_is_late_is_an_alarm_until_it_is_in_time_for_a_while(bench: Bench) -> None:
    bench.overseer.lag.worst = LATE_S + 0.1
    bench.look(1)
    [notice] = bench.said
    assert isinstance(notice, Notice)
    assert (notice.code, notice.active) == (Code.LOOP_LAG, True)
    assert "late by 0.6 s, expected less than 0.5 s" in notice.text
    assert list(bench.daemon.voice.alarms) == ["loop_lag"]
    assert bench.metrics()["steadyhead_alarm_active", "loop_lag"] == 1
    bench.look(IN_TIME_S)
    assert list(bench.daemon.voice.alarms) == ["loop_lag"]
    bench.look(2)
    assert not bench.daemon.voice.alarms


async def test_ready_is_a_daemon_at_work(bench: Bench) -> None:
    assert bench.overseer.pages["/ready"]() == (200, "text/plain; charset=utf-8", b"ready\n")
    bench.daemon.working = False
    status, _, body = bench.overseer.pages["/ready"]()
    assert (status, body) == (503, b"not at work: marrow-hill/bench-1\n")
    bench.overseer.leave(bench.daemon)
    assert bench.overseer.pages["/ready"]()[0] == 503


async def test_a_stand_of_which_no_daemon_can_be_made_is_not_at_work(bench: Bench) -> None:
    for stand in ("marrow-hill/bench-1", "marrow-hill/bench-7"):
        bench.overseer.expect(stand)
    assert bench.overseer.pages["/ready"]()[::2] == (503, b"not at work: marrow-hill/bench-7\n")
    assert bench.overseer.pages["/live"]()[0] == 200


async def test_the_metrics_say_what_the_line_counted(bench: Bench) -> None:
    told = bench.metrics()
    stand = bench.daemon.stand.key
    expected = {"scans_total": 2700, "scans_missing_total": 30, "frames_total": 90, "frames_bad_total": 2,
                "frames_lost_total": 1, "link_up": 1, "working": 1, "broker_connected": 0, "lease_powered": 0,
                "ready": 1, "outbox_messages": 0, "outbox_oldest_seconds": 0, "stuck": 0}  # fmt: skip
    assert {name: told[f"steadyhead_{name}", stand] for name in expected} == expected


async def test_each_name_is_as_the_format_wants_it(bench: Bench) -> None:
    """Source: Prometheus, "Exposition formats" and "Metric and label naming": letters, digits and underscores, counters
    end in _total, base units."""
    _, _, body = bench.overseer.pages["/metrics"]()
    typed = dict(re.findall(r"^# TYPE (\S+) (\S+)$", body.decode(), re.M))
    assert len(typed) > 15
    for name, kind in typed.items():
        assert re.fullmatch(r"steadyhead_[a-z_]+", name)
        assert name.endswith("_total") is (kind == "counter"), name
        assert not name.endswith(("_ms", "_minutes")), name
