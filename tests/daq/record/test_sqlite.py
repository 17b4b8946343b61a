"""What only an SQLite file can suffer, and where only it can lie."""

import os
import shutil
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager, suppress
from pathlib import Path

import pytest

from daq.record.engine import connect, sqlite_url
from daq.record.errors import (
    DatabaseBusyError,
    DatabaseDamagedError,
    DatabaseMissingError,
    DatabaseReplacedError,
    DatabaseUnwritableError,
    DiskFullError,
    RecordError,
)
from daq.record.store import Store
from daq.record.values import Filter
from tests.daq.record.bench import finish, started

NOBODY = 65534


@pytest.fixture
def kind() -> str:
    return "sqlite"


def file_of(url: str) -> Path:
    return Path(url.removeprefix("sqlite:///"))


def raw(url: str) -> sqlite3.Connection:
    return sqlite3.connect(file_of(url))


@contextmanager
def nothing_may_be_written(folder: Path) -> Iterator[None]:
    """As on a medium that is read-only. Who may do all is somebody else meanwhile."""
    folder.chmod(0o555)
    root = os.geteuid() == 0
    if root:
        for above in folder.parents[:3]:  # pytest lets nobody else in
            above.chmod(0o755)
        os.seteuid(NOBODY)
    try:
        yield
    finally:
        if root:
            os.seteuid(0)
        folder.chmod(0o755)


def test_a_commit_survives_what_may_happen(store: Store, url: str) -> None:
    engine = connect(url)
    with engine.connect() as connection:
        asked = {p: connection.exec_driver_sql(f"PRAGMA {p}").scalar() for p in ("journal_mode", "synchronous")}
        assert connection.exec_driver_sql("PRAGMA foreign_keys").scalar() == 1
    engine.dispose()
    assert asked == {"journal_mode": "wal", "synchronous": 2}  # 2 is FULL: https://www.sqlite.org/pragma.html


def test_a_locked_database_says_so(store: Store, url: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("daq.record.engine.BUSY_MS", 1)
    impatient = Store(url)
    holder = raw(url)
    holder.execute("BEGIN IMMEDIATE")
    with pytest.raises(DatabaseBusyError, match=r"bench\.db: another process keeps it locked"):
        impatient.start_run(started())
    assert impatient.runs(Filter()) == []  # reading goes on beside a writer
    holder.close()
    assert impatient.start_run(started()).number == 1
    impatient.close()


def test_a_full_disk_says_so_and_loses_nothing_that_was_kept(store: Store, url: str) -> None:
    store.start_run(started(1))
    with store._engine.connect() as connection:  # SQLite's own limit stands for a disk without room
        pages = connection.exec_driver_sql("PRAGMA page_count").scalar()
        connection.exec_driver_sql(f"PRAGMA max_page_count={pages}")
    with pytest.raises(DiskFullError, match=r"bench\.db: the disk is full; make room"):
        store.start_run(started(2, config_digest="big", config={"text": "x" * 100_000}))
    assert [line.run for line in store.runs(Filter())] == [started(1).run]


def test_a_damaged_file_says_so(store: Store, url: str) -> None:
    for number in range(1, 60):
        store.start_run(started(number))
    store.close()
    file = file_of(url)
    whole = file.read_bytes()
    file.write_bytes(whole[:4096] + b"\xa5" * (len(whole) - 4096))
    with pytest.raises(DatabaseDamagedError, match=r"bench\.db: the file is damaged.*backup"):
        store.runs(Filter())


def gone(file: Path) -> None:
    file.unlink()


def moved(file: Path) -> None:
    file.rename(file.with_name("elsewhere.db"))


def copied_over(file: Path) -> None:
    other = file.with_name("other.db")
    shutil.copy(file, other)
    other.replace(file)


def folder_gone(file: Path) -> None:
    file.parent.rename(file.parent.with_name("elsewhere"))


@pytest.mark.parametrize("happens", [gone, moved, copied_over, folder_gone])
def test_a_file_that_is_not_the_one_that_was_opened_takes_nothing(
    store: Store, url: str, happens: Callable[[Path], None]
) -> None:
    """The open file would go on taking runs that nobody can ever read."""
    store.start_run(started(1))
    happens(file_of(url))
    for write in (lambda: store.start_run(started(2)), lambda: store.finish_run(started(1).run, finish(started(1)))):
        with pytest.raises(DatabaseReplacedError, match=r"bench\.db: expected the file that was opened at the start"):
            write()


def test_a_file_that_was_moved_back_takes_all(store: Store, url: str) -> None:
    store.start_run(started(1))
    file = file_of(url)
    away = file.with_name("elsewhere.db")
    file.rename(away)
    with pytest.raises(DatabaseReplacedError):
        store.finish_run(started(1).run, finish(started(1)))
    away.rename(file)
    assert store.finish_run(started(1).run, finish(started(1))).data["seq"] == 1


def test_a_folder_that_cannot_be_made_says_so(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(DatabaseUnwritableError, match="its folder cannot be made"):
        Store(f"sqlite:///{tmp_path}/file/bench.db").open()


def test_runs_are_read_on_a_read_only_medium(store: Store, url: str) -> None:
    store.start_run(started())
    store.finish_run(started().run, finish(started()))
    store.close()
    with nothing_may_be_written(file_of(url).parent), closing(Store(url, reads=True)) as reading:
        reading.open()
        assert [line.verdict for line in reading.runs(Filter())] == ["void"]
        assert len(reading.run(started().run).data["readings"]) == 2
    assert [path.name for path in file_of(url).parent.iterdir()] == ["bench.db"]


def test_a_log_with_runs_that_cannot_be_read_is_not_passed_over(store: Store, url: str, tmp_path: Path) -> None:
    store.start_run(started())
    copies = tmp_path / "copies"
    copies.mkdir()
    for name in ("bench.db", "bench.db-wal"):
        shutil.copy(file_of(url).with_name(name), copies)
    told = r"bench\.db: its newest runs .* in bench\.db-wal.*copy both files"
    with (
        nothing_may_be_written(copies),
        closing(Store(sqlite_url(copies / "bench.db"), reads=True)) as reading,
        pytest.raises(DatabaseUnwritableError, match=told),
    ):
        reading.open()


def test_what_a_daemon_has_just_written_is_read_without_a_right_to_write(store: Store, url: str) -> None:
    store.start_run(started())
    with nothing_may_be_written(file_of(url).parent), closing(Store(url, reads=True)) as reading:
        reading.open()
        assert [line.run for line in reading.runs(Filter())] == [started().run]


def test_reading_makes_no_file(tmp_path: Path) -> None:
    with pytest.raises(DatabaseMissingError, match="no such file"):
        Store(f"sqlite:///{tmp_path}/none.db", reads=True).open()
    assert not (tmp_path / "none.db").exists()


def test_a_file_that_is_no_database_is_named(url: str) -> None:
    file_of(url).parent.mkdir()
    file_of(url).write_bytes(b"postal round, monday\n" * 100)
    for reads in (False, True):
        with pytest.raises(DatabaseDamagedError, match=r"bench\.db: the file is no SQLite database"):
            Store(url, reads=reads).open()
    assert file_of(url).read_bytes() == b"postal round, monday\n" * 100


def test_damage_in_the_middle_is_told_and_spreads_no_further(store: Store, url: str, tmp_path: Path) -> None:
    """Whichever page of the file is not what it was: each call works or tells the damage, nothing is answered that was
    never written, and the file, which a person has to judge, stays as it is but for what is written on purpose."""
    for number in range(40):
        store.start_run(started(number))
        store.finish_run(started(number).run, finish(started(number)))
    whole = {line.run for line in store.runs(Filter())}
    store.close()
    with closing(raw(url)) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        [[page]] = connection.execute("PRAGMA page_size").fetchall()
    content = file_of(url).read_bytes()
    told = 0
    for k in range(1, len(content) // page, 3):
        spoilt = tmp_path / f"page-{k}.db"
        spoilt.write_bytes(content[: k * page] + b"\x55" * page + content[(k + 1) * page :])
        there, run = Store(sqlite_url(spoilt)), started(100)
        with closing(there):
            for call in (
                there.open,
                lambda there=there, run=run: there.start_run(run),  # type: ignore[misc]
                lambda there=there, run=run: there.finish_run(run.run, finish(run)),  # type: ignore[misc]
                lambda there=there: there.unsent("marrow-hill/bench-1", 100),  # type: ignore[misc]
            ):
                try:
                    call()
                except RecordError as error:
                    told += isinstance(error, DatabaseDamagedError)
            with suppress(RecordError):
                assert {line.run for line in there.runs(Filter())} <= whole | {run.run}
    assert told > 10
