"""Several stands in one process: what fails is begun again, and a new configuration that does not work is undone."""

import asyncio
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from daq.catalogue.load import load_catalogue, load_stand
from daq.catalogue.stand_file import StandConfig
from daq.stand.errors import StandError
from daq.watch import keeper
from daq.watch.keeper import Loaded
from daq.watch.log import Record
from daq.watch.manager import Manager
from daq.watch.service import Service
from drivers.device import ProtocolError

CONFIG = Path(__file__).parents[3] / "config"


@pytest.fixture
def stand(tmp_path: Path) -> Callable[..., Loaded]:
    """A configuration for a stand of a name, with what else differs."""
    shipped = load_stand(CONFIG)
    catalogue = load_catalogue(CONFIG, shipped.stand)

    def make(name: str, **more: Any) -> Loaded:
        database = f"sqlite:///{tmp_path / 'records.db'}"
        named = replace(shipped.stand, name=name)
        made = replace(shipped, stand=named, data=tmp_path, database=database, device="sim://depot/good-pump")
        return replace(made, **more), catalogue

    return make


class Told:
    """The log, and what is done when an event of a stand comes."""

    def __init__(self) -> None:
        self.records: list[Record] = []
        self.when: dict[str, Callable[[], object]] = {}

    def __call__(self, record: Record) -> None:
        self.records.append(record)
        if then := self.when.pop(record["event"], None):
            asyncio.get_running_loop().call_soon(then)

    def of(self, event: str) -> list[Record]:
        return [record for record in self.records if record["event"] == event]


async def worked(service: Service, told: Told, reload: asyncio.Event | None = None, **when: Any) -> None:
    """Runs it; `when` says what happens at which event, and `"stop"` there is a stop soon after."""
    stop = asyncio.Event()
    for event, then in when.items():
        told.when[event] = stop.set if then == "stop" else then
    async with asyncio.timeout(60):
        await service.run(stop, reload or asyncio.Event())


class Frail(keeper.Daemon):
    """The daemon of bench-2 has a mistake of ours in it, and works at the third attempt."""

    attempts = 0

    async def run(self, stop: asyncio.Event, device: Any = None) -> None:
        if self.config.stand.name == "bench-2":
            type(self).attempts += 1
            if type(self).attempts < 3:
                raise ValueError("not meant to happen")
        await super().run(stop, device)


async def test_what_fails_is_begun_again_and_the_others_go_on(
    stand: Callable[..., Loaded], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(keeper, "Daemon", Frail)
    monkeypatch.setattr(keeper, "FIRST_WAIT_S", 0.1)
    told, stop = Told(), asyncio.Event()
    stands = [stand("bench-1"), stand("bench-2")]
    service = Service([(one, lambda one=one: one) for one in stands], told, manager=Manager({}))  # type: ignore[misc]
    one, two = service.keepers
    working = asyncio.create_task(service.run(stop, asyncio.Event()))
    async with asyncio.timeout(60):
        while not (one.working and two.working):
            assert not working.done()
            await asyncio.sleep(0.02)
    first = one.daemon
    stop.set()
    await working
    failed = told.of("stand_failed")
    assert [(r["stand"], r["again_s"]) for r in failed] == [("marrow-hill/bench-2", 0.1), ("marrow-hill/bench-2", 0.2)]
    assert "ValueError: not meant to happen" in failed[0]["trace"]
    assert "in run" in failed[0]["trace"]
    assert [r["stand"] for r in told.of("starting")].count("marrow-hill/bench-1") == 1
    assert one.daemon is first
    first_time, alarm = told.of("alarm")
    assert "(once)" in first_time["text"]
    assert (alarm["stand"], alarm["code"]) == ("marrow-hill/bench-2", "restarted")
    assert (
        "failed and was begun again (2 times): a mistake of this program: ValueError: not meant to happen"
        in alarm["text"]
    )
    assert two.daemon is not None
    assert "restarted" in two.daemon.voice.alarms
    assert one.daemon is not None
    assert "restarted" not in one.daemon.voice.alarms
    assert told.records[-1]["event"] == "stopped"


async def test_an_address_that_cannot_be_opened_is_undone(stand: Callable[..., Loaded]) -> None:
    """It parses, so only the attempt tells; the stand then works as before, alone or not."""
    told, reload, ended = Told(), asyncio.Event(), asyncio.Event()
    good, broken = stand("bench-1"), stand("bench-1", device="sim://depot/nothing")
    service = Service([(good, lambda: broken)], told, manager=Manager({}))

    def undone() -> None:
        told.when["device"] = ended.set

    working = asyncio.create_task(worked(service, told, reload, device=reload.set, reload_undone=undone))
    async with asyncio.timeout(60):
        await ended.wait()
    assert service.keepers[0].config is good[0]
    working.cancel()
    await asyncio.gather(working, return_exceptions=True)
    [record] = told.of("reload_undone")
    assert "unit 'nothing'" in record["text"]
    assert [r["device"] for r in told.of("starting")] == [good[0].device, broken[0].device, good[0].device]


class Silent(keeper.Daemon):
    """A device that is there, and after a while turns out to be none of ours."""

    async def run(self, stop: asyncio.Event, device: Any = None) -> None:
        if self.config.device == "tcp://10.0.0.9:7":
            self.working = True
            await asyncio.sleep(0.3)
            raise ProtocolError("speaks, but not as a stand does")
        await super().run(stop, device)


@pytest.mark.parametrize("others", [0, 1])
async def test_a_device_that_never_answers_as_a_stand_is_undone_too(
    stand: Callable[..., Loaded], monkeypatch: pytest.MonkeyPatch, others: int
) -> None:
    """Its daemon was at work before that showed."""
    monkeypatch.setattr(keeper, "Daemon", Silent)
    told, reload = Told(), asyncio.Event()
    good, broken = stand("bench-1"), stand("bench-1", device="tcp://10.0.0.9:7")
    stands = [(good, lambda: broken)]
    stands += [(other := stand(f"bench-{k + 2}"), lambda other=other: other) for k in range(others)]  # type: ignore[misc]
    service = Service(stands, told, manager=Manager({}))

    def undone() -> None:
        told.when["device"] = told.when.pop("stopping")

    stop = asyncio.Event()
    told.when = {"device": reload.set, "reload_undone": undone, "stopping": stop.set}
    async with asyncio.timeout(60):
        await service.run(stop, reload)
    [record] = told.of("reload_undone")
    assert record["text"].startswith("speaks, but not as a stand does; the configuration from before counts again")
    assert service.keepers[0].config is good[0]
    assert told.of("stand_failed") == []


class Sulky(keeper.Daemon):
    """The daemon of bench-2 ends badly."""

    async def run(self, stop: asyncio.Event, device: Any = None) -> None:
        await super().run(stop, device)
        if self.config.stand.name == "bench-2":
            raise StandError("the door is stuck; oil it")


async def test_one_that_ends_badly_does_not_spoil_an_orderly_stop(
    stand: Callable[..., Loaded], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(keeper, "Daemon", Sulky)
    told, both = Told(), [stand("bench-1"), stand("bench-2")]
    service = Service([(one, lambda one=one: one) for one in both], told, manager=Manager({}))  # type: ignore[misc]
    await worked(service, told, device="stop")
    [failed] = told.of("stand_failed")
    assert (failed["stand"], failed["text"]) == (
        "marrow-hill/bench-2",
        "the door is stuck; oil it; it was to stop anyway",
    )
    assert told.records[-1]["event"] == "stopped"


class Busy(keeper.Daemon):
    """A run is under way at bench-1, until it is over."""

    over = False

    def __init__(self, config: StandConfig, *more: Any) -> None:
        super().__init__(config, *more)
        if config.stand.name == "bench-1":
            self.stand.__class__ = type("Stand", (type(self.stand),), {"busy": property(lambda _: not Busy.over)})


async def test_a_run_under_way_holds_up_no_other_stand(
    stand: Callable[..., Loaded], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The second reading gives the first stand back what it had, and the second stand what it never got otherwise."""
    monkeypatch.setattr(keeper, "Daemon", Busy)
    told, stop, reload = Told(), asyncio.Event(), asyncio.Event()
    first = [stand("bench-1"), stand("bench-1", revision=2), stand("bench-1"), stand("bench-1", revision=3)]
    second = [stand("bench-2"), stand("bench-2"), stand("bench-2", revision=2), stand("bench-2", revision=2)]
    reads = [iter(first[1:]), iter(second[1:])]
    service = Service([(first[0], reads[0].__next__), (second[0], reads[1].__next__)], told, manager=Manager({}))
    one, two = service.keepers
    working = asyncio.create_task(service.run(stop, reload))
    async with asyncio.timeout(60):
        await asyncio.gather(one.tried.wait(), two.tried.wait())
        for wanted in ((1, 1), (1, 2), (1, 2)):
            reload.set()
            await asyncio.sleep(0.4)
            assert (one.config.revision, two.config.revision) == wanted
        assert [r["stand"] for r in told.of("reload_waits")] == ["marrow-hill/bench-1"] * 2
        monkeypatch.setattr(Busy, "over", True)
        told.when["reloaded"] = stop.set
        await working
    assert one.config.revision == 3


async def test_a_mistake_while_reading_again_ends_nothing(stand: Callable[..., Loaded]) -> None:
    told, reload = Told(), asyncio.Event()
    good = stand("bench-1")
    answers: list[Any] = [RuntimeError("not meant to happen"), good]

    def read() -> Loaded:
        answer = answers.pop(0)
        if isinstance(answer, Exception):
            raise answer
        return answer  # type: ignore[no-any-return]

    service = Service([(good, read)], told, manager=Manager({}))
    await worked(service, told, reload, device=reload.set, log=reload.set, reloaded="stop")
    [log] = told.of("log")
    assert "RuntimeError: not meant to happen" in log["trace"]
    assert [r["what"] for r in told.of("reloaded")] == ["catalogue"]


def test_two_of_one_name_or_device(stand: Callable[..., Loaded]) -> None:
    one = stand("bench-1")
    with pytest.raises(StandError, match="found marrow-hill/bench-1 twice; give one of them another name"):
        Service([(one, lambda: one), (one, lambda: one)], lambda _: None)
    first, second = stand("bench-1", device="serial:///dev/a"), stand("bench-2", device="serial:///dev/a")
    with pytest.raises(StandError, match="a device for each stand, found serial:///dev/a twice"):
        Service([(first, lambda: first), (second, lambda: second)], lambda _: None)


async def test_a_reload_that_gives_two_stands_one_device(stand: Callable[..., Loaded]) -> None:
    told, reload = Told(), asyncio.Event()
    stands = [stand("bench-1"), stand("bench-2")]
    new = [stand(name, device="serial:///dev/a") for name in ("bench-1", "bench-2")]
    reads = [(old, lambda n=n: n) for old, n in zip(stands, new, strict=True)]  # type: ignore[misc]
    await worked(Service(reads, told, manager=Manager({})), told, reload, device=reload.set, reload_refused="stop")
    assert {(r["stand"], "twice" in r["text"]) for r in told.of("reload_refused")} == {
        ("marrow-hill/bench-1", True),
        ("marrow-hill/bench-2", True),
    }
    assert len(told.of("starting")) == 2


async def test_a_new_password_counts_from_the_next_reload_on(stand: Callable[..., Loaded], tmp_path: Path) -> None:
    """It lies in a file of its own, so the stand's file is the same as before."""
    file = tmp_path / "password"
    file.write_text("old\n")
    good = stand("bench-1")
    good = replace(good[0], broker=replace(good[0].broker, username="bench-1", password_file=file)), good[1]
    told, reload = Told(), asyncio.Event()
    service = Service([(good, lambda: good)], told, manager=Manager({}))
    used: list[str | None] = []

    def look() -> None:
        daemon = service.keepers[0].daemon
        assert daemon is not None
        assert daemon.broker is not None
        used.append(daemon.broker.password)

    def rotate() -> None:
        look()
        file.write_text("new\n")
        told.when["device"] = look_and_go_on
        reload.set()

    def look_and_go_on() -> None:
        look()
        reload.set()  # nothing is other now, so only the catalogue is read

    def stop_soon() -> None:
        told.when["reloaded"] = lambda: stop.set()

    stop = asyncio.Event()
    told.when = {"device": rotate, "reloaded": stop_soon}
    async with asyncio.timeout(60):
        await service.run(stop, reload)
    assert used == ["old", "new"]
    assert [r["what"] for r in told.of("reloaded")] == ["stand and catalogue", "catalogue"]
