"""Every migration upwards and downwards, with records in the tables: none is lost, and none is another one."""

import shutil
import subprocess
import sys
from contextlib import closing
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from alembic import command
from sqlalchemy import MetaData, create_engine, inspect, select, text

from daq.record.errors import MigrationError, OldSchemaError, RecordError
from daq.record.migrate import SCRIPTS, config, move
from daq.record.schema import HEAD, REVISIONS
from daq.record.store import Store
from tests.daq.record.bench import BENCH, DIGEST, START, finish, result, started

Rows = dict[str, list[tuple[Any, ...]]]
ADDED = {"0003": {"command": 1}}
"""Columns that a revision adds at the end of a table; going back drops them, going up again leaves them empty."""


def at(records: Rows, revision: str, *, again: bool = False) -> Rows:
    """The rows as a revision holds them: without columns that came later, or with them empty where they come again."""
    kept = dict(records)
    for later, tables in ADDED.items():
        if later <= revision and not again:
            continue
        empty = ("None",) if later <= revision else ()
        for name, n in tables.items():
            kept[name] = [row[:-n] + empty * n for row in kept[name]]
    return kept


def content(url: str) -> Rows:
    """All rows of all tables, by table, as they lie there."""
    engine = create_engine(url)
    tables = MetaData()
    tables.reflect(engine)
    with engine.connect() as connection:
        found = {
            name: sorted((tuple(map(str, row)) for row in connection.execute(select(table))), key=repr)
            for name, table in tables.tables.items()
            if name != "alembic_version"
        }
    engine.dispose()
    return found


def revision(url: str) -> str:
    engine = create_engine(url)
    with engine.connect() as connection:
        found: str = connection.scalar(text("SELECT version_num FROM alembic_version"))
    engine.dispose()
    return found


@pytest.fixture
def records(store: Store, url: str) -> Rows:
    """Something in every table: runs with and without an end, events, messages sent and waiting, requests."""
    for number, verdict in ((1, "pass"), (2, "fail"), (3, "void")):
        store.start_run(started(number, order="WO 7", operator="Ines", sim=number == 3))
        store.event(BENCH, started(number).run, START, "stage", {"stage": "shutoff", "text": "Ventil zu, 5 µm"})
        if number < 3:
            store.finish_run(started(number).run, finish(started(number), verdict))
    store.event(BENCH, None, START + timedelta(microseconds=1), "link", {"link": "down"})
    store.mark_sent(store.unsent(BENCH, 1)[0].id, START)
    store.claim(BENCH, "17", "start", DIGEST, START)
    store.remember(BENCH, "17", {"state": "accepted", "why": None})
    store.claim(BENCH, "18", "abort", DIGEST, START)
    store.close()
    found = content(url)
    assert all(found.values()), "a table without rows shows nothing"
    return found


class Further:
    """A migration after the newest, of the test's own, in a copy of the scripts."""

    def __init__(self, folder: Path) -> None:
        self._versions = folder / "migrations" / "versions"
        shutil.copytree(SCRIPTS, folder / "migrations")

    def __call__(self, body: str) -> None:
        head = f'import sqlalchemy as sa\nfrom alembic import op\n\nrevision, down_revision = "9001", "{HEAD}"\n'
        (self._versions / "9001_further.py").write_text(f"{head}\n\ndef upgrade() -> None:{body}")


@pytest.fixture
def further(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Further:
    made = Further(tmp_path)
    monkeypatch.setattr("daq.record.migrate.SCRIPTS", tmp_path / "migrations")
    return made


def test_every_migration_goes_both_ways_and_keeps_all_rows(url: str, records: Rows) -> None:
    for to in reversed(REVISIONS[:-1]):
        move(url, to)
        assert (revision(url), content(url)) == (to, at(records, to))
    for to in REVISIONS[1:]:
        move(url, to)
        assert (revision(url), content(url)) == (to, at(records, to, again=True))
    with closing(Store(url)) as store:
        store.open()
        assert store.run(started(1).run).data == result(started(1, order="WO 7", operator="Ines"), 1, "pass")
        store.start_run(started(9))
        assert store.finish_run(started(9).run, finish(started(9))).data["seq"] == 3


def test_an_older_database_is_brought_up_to_date_when_a_daemon_opens_it(url: str, records: Rows) -> None:
    move(url, REVISIONS[0])
    with closing(Store(url)) as store:
        store.open()
    assert (revision(url), content(url)) == (HEAD, at(records, HEAD, again=True))


def test_an_older_database_stays_so_when_somebody_only_reads(url: str, records: Rows) -> None:
    move(url, REVISIONS[0])
    told = rf"bench[^:]*: expected schema revision {HEAD}, found 0001.*`steadyhead setup database` brings it up to date"
    with closing(Store(url, reads=True)) as store, pytest.raises(OldSchemaError, match=told):
        store.open()
    assert revision(url) == REVISIONS[0]


def test_nobody_goes_back_behind_the_first_tables(url: str, records: Rows) -> None:
    with pytest.raises(RuntimeError, match="nothing before the first tables"):
        command.downgrade(config(url), "base")
    assert (revision(url), content(url)) == (HEAD, records)


def test_a_migration_that_breaks_off_leaves_the_old_tables(
    url: str, records: Rows, further: Further, monkeypatch: pytest.MonkeyPatch
) -> None:
    further("""
    op.add_column("run", sa.Column("colour", sa.Text(), nullable=True))
    op.execute("UPDATE run SET colour = 'blue'")
    op.execute("UPDATE run SET shade = 'light'")
""")
    with pytest.raises(RecordError, match=r"bench.*shade"):
        move(url, "9001")
    assert (revision(url), content(url)) == (HEAD, records)


def test_a_rebuilt_parent_table_keeps_the_rows_that_point_to_it(url: str, records: Rows, further: Further) -> None:
    """On SQLite to change a column is to rebuild its table, and to drop the old one would drop what points to it."""
    further("""
    with op.batch_alter_table("run") as run:
        run.alter_column("mode", existing_type=sa.String(80), type_=sa.Text(), existing_nullable=False)
""")
    move(url, "9001")
    assert (revision(url), content(url)) == ("9001", records)
    engine = create_engine(url)
    types = {column["name"]: str(column["type"]) for column in inspect(engine).get_columns("run")}
    engine.dispose()
    assert types["mode"] == "TEXT"


@pytest.mark.parametrize(
    ("lossy", "told"),
    [
        ("DELETE FROM reading WHERE position = 1", "would leave 2 of 4 rows in table reading"),
        ("UPDATE run SET configuration = 'nowhere'", "points nowhere|violates foreign key"),
    ],
)
def test_a_migration_that_would_lose_something_is_taken_back(
    url: str, records: Rows, further: Further, lossy: str, told: str
) -> None:
    further(f"""
    op.execute("{lossy}")
""")
    with pytest.raises(RecordError, match=told):
        move(url, "9001")
    assert (revision(url), content(url)) == (HEAD, records)


def test_what_the_child_said_comes_back_in_one_line(url: str, records: Rows) -> None:
    with closing(Store(url)) as store, pytest.raises(MigrationError) as caught:
        store.move("0000")
    told = str(caught.value)
    assert "bench" in told
    assert "bringing the tables to revision 0000 failed" in told
    assert "0000" in told.rpartition("failed: ")[2]
    assert "\n" not in told


@pytest.mark.parametrize("kind", ["postgresql"], indirect=True)
def test_going_back_is_refused_where_a_number_no_longer_fits(url: str, records: Rows) -> None:
    engine = create_engine(url)
    with engine.begin() as connection:
        connection.execute(text(f"UPDATE event SET id = {2**31} WHERE run IS NULL"))
    engine.dispose()
    before = content(url)
    with pytest.raises(RecordError, match=r"bench.*out of range"):
        move(url, "0001")
    assert (revision(url), content(url)) == (HEAD, before)


@pytest.mark.parametrize("kind", ["sqlite"], indirect=True)
def test_the_program_for_one_who_has_no_daemon(url: str, records: Rows) -> None:
    program = [sys.executable, "-m", "daq.record.migrate"]
    subprocess.run([*program, url, "0001"], check=True, capture_output=True)
    assert revision(url) == "0001"
    subprocess.run([*program, "-"], input=url, text=True, check=True, capture_output=True)
    assert revision(url) == HEAD
    assert b"usage" in subprocess.run(program, check=False, capture_output=True).stderr
