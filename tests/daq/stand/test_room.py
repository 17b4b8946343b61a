"""Room on the disk: a start is refused in time, says what is missing, and the estimate bounds what runs take."""

import os
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import pytest

from daq.catalogue.load import load_catalogue, load_stand
from daq.catalogue.stand_file import StandConfig
from daq.procedure.effects import Alarm
from daq.stand import room
from daq.stand.alarms import Board
from daq.stand.errors import RefusedError
from daq.stand.room import BESIDE, lacking, longest, needed
from daq.stand.said import Stage
from drivers.block import Identity
from tests.daq.stand.bench import STREAMING, Bench
from tests.daq.stand.conftest import OpenBench

CONFIG = Path(__file__).parents[3] / "config"
SetFree = Callable[..., None]


@pytest.fixture
def set_free(monkeypatch: pytest.MonkeyPatch) -> Iterator[SetFree]:
    """Says how much is free on every disk."""

    def free(size: float, files: int = 10_000) -> None:
        disk = SimpleNamespace(f_bavail=size / 4096, f_frsize=4096, f_files=100_000, f_favail=files)
        monkeypatch.setattr(room.os, "statvfs", lambda _: disk)

    yield free
    monkeypatch.undo()


def need_of(bench: Bench) -> int:
    identity = bench.stand.identity
    assert identity is not None
    return needed((e.part for e in bench.stand.catalogue), bench.stand.config.stand, identity)


async def test_a_start_without_room_is_refused_and_an_alarm_says_what_is_missing(
    open_bench: OpenBench, config: StandConfig, set_free: SetFree
) -> None:
    async with open_bench("sim://depot/good-pump") as bench:
        need = need_of(bench) + config.keep_free
        set_free(need - 1e6)
        with pytest.raises(RefusedError) as refused:
            await bench.begin()
        assert refused.value.reasons == ("disk_full",)
        for part in (
            str(config.data),
            f"expected {need / 1e6:.0f} MB free",
            f"found {need / 1e6 - 1:.0f} MB",
            "move old",
        ):
            assert part in str(refused.value)
        assert bench.stand.blocked_by == ("disk_full",)
        [alarm] = bench.all(Alarm)
        assert (alarm.code, alarm.severity) == ("disk_full", "stop")
        assert bench.all(Stage)[-1].blocked_by == ("disk_full",)
        await bench.stand.look_for_room()
        assert len(bench.all(Alarm)) == 1  # once, however often it is looked at

        set_free(need + 1e6)
        await bench.stand.look_for_room()
        assert bench.stand.blocked_by == ()
        assert bench.all(Stage)[-1].blocked_by == ()
        board = Board()
        for said in bench.said:
            board.hear(said, bench.stand._now())
        assert "disk_full" not in board.active
        assert (await bench.test()).data.verdict == "pass"


async def test_no_files_left_is_no_room(open_bench: OpenBench, set_free: SetFree) -> None:
    async with open_bench("sim://depot/good-pump") as bench:
        set_free(1e12, files=3)
        with pytest.raises(RefusedError, match="expected room for 16 more files, found 3"):
            await bench.begin()


@pytest.mark.parametrize(("part", "device"), [("MH-2101", "sim://depot/good-pump"), ("MH-3310", "sim://depot/module")])
async def test_a_run_takes_less_than_what_is_kept_for_it(
    open_bench: OpenBench, config: StandConfig, part: str, device: str
) -> None:
    """Scaled to the time that it took; what lies beside is looked at whole."""
    async with open_bench(device) as bench:
        data = (await bench.test(part)).data
        identity = bench.stand.identity
        assert identity is not None
        per_scan = room.PER_SCAN + room.PER_VALUE * len(identity.analog)
    assert data.trace is not None
    assert data.recording is not None
    scans = data.quality.scans_received
    assert scans is not None
    taken = data.trace.bytes + data.recording.bytes
    assert taken < per_scan * scans
    assert taken > per_scan * scans / 20  # no more cautious than that
    files = [*config.data.glob("*.db*"), *config.data.parent.glob("*.db*")]
    assert 0 < sum(file.stat().st_size for file in files) < BESIDE


def test_the_longest_run_and_the_most_channels_need_the_most() -> None:
    stand = load_stand(CONFIG)
    parts = [entry.part for entry in load_catalogue(CONFIG, stand.stand)]
    times = {part.number: longest(part, stand.stand) for part in parts}
    # By hand for a module: connect, immerse and finish wait for an answer, 120 s each; shutoff, fill, reopen, free
    # flow, throttle and shutoff.2 take a stage's 40 s and an answer's 120 s at most; filling has a limit of its own.
    filling = next(part for part in parts if part.number == "MH-3310").fill_limit_s or 60.0
    assert times["MH-3310"] == 3 * 120 + 6 * 160 + filling
    slow = SimpleNamespace(sample_hz=100.0, analog=(None,) * 3)
    fast = SimpleNamespace(sample_hz=1000.0, analog=(None,) * 3)
    assert needed(parts, stand.stand, slow) < needed(parts, stand.stand, fast)  # type: ignore[arg-type]
    assert needed([], stand.stand, slow) == BESIDE  # type: ignore[arg-type]


def test_a_database_elsewhere_is_looked_at_too(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    looked: list[Path] = []
    real = os.statvfs

    def statvfs(place: Path) -> os.statvfs_result:
        looked.append(place)
        return real(place)

    monkeypatch.setattr(room.os, "statvfs", statvfs)
    config = replace(load_stand(CONFIG), data=tmp_path / "gone", database=f"sqlite:///{tmp_path}/other/records.db")
    assert lacking(config, 0) is None  # folders that are not there say it themselves when they are written to
    assert looked == [tmp_path / "gone", tmp_path / "other"]
    assert lacking(replace(config, data=tmp_path, database="postgresql+psycopg://server/records"), 0) is None
    assert looked[2:] == [tmp_path]


async def test_a_stand_whose_time_is_not_virtual(open_bench: OpenBench, set_free: SetFree) -> None:
    async with open_bench(STREAMING) as bench:
        set_free(0)
        await bench.stand.look_for_room()
        assert "disk_full" in bench.stand.blocked_by
        assert isinstance(bench.stand.identity, Identity)
