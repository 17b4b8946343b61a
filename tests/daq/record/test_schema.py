"""Tables and migrations: they agree, a newer database is refused, and Alembic stays out of the daemon."""

import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest
from alembic.autogenerate import compare_metadata
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import create_engine, text

from daq.record.errors import MigrationError, SchemaError
from daq.record.migrate import config
from daq.record.models import Base
from daq.record.schema import HEAD, REVISIONS
from daq.record.store import Store


def tell(url: str, statement: str) -> None:
    """Past the store."""
    engine = create_engine(url)
    with engine.begin() as connection:
        connection.execute(text(statement))
    engine.dispose()


def file_of(url: str) -> Path:
    return Path(url.removeprefix("sqlite:///"))


def test_the_revisions_in_the_code_are_those_of_the_migrations() -> None:
    scripts = ScriptDirectory.from_config(config("sqlite://"))
    assert tuple(s.revision for s in reversed(list(scripts.walk_revisions()))) == REVISIONS
    assert scripts.get_current_head() == HEAD


def test_the_migrations_make_what_the_models_say(store: Store, url: str) -> None:
    engine = create_engine(url)
    with engine.connect() as connection:
        assert compare_metadata(MigrationContext.configure(connection), Base.metadata) == []
    engine.dispose()


def test_opening_again_changes_nothing(store: Store, url: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("daq.record.schema.move", None)  # so it is not called
    with closing(Store(url)) as again:
        again.open()


def test_a_newer_database_is_refused_with_what_to_do(store: Store, url: str) -> None:
    tell(url, "UPDATE alembic_version SET version_num = '9999'")
    for reads in (False, True):
        told = r"bench[^:]*: expected schema revision .* found 9999.*newer version.*install"
        with closing(Store(url, reads=reads)) as again, pytest.raises(SchemaError, match=told):
            again.open()


def test_somebody_elses_database_is_left_alone(kind: str, url: str) -> None:
    if kind == "sqlite":
        file_of(url).parent.mkdir()
    tell(url, "CREATE TABLE parcels (id INTEGER)")
    for reads in (False, True):
        with closing(Store(url, reads=reads)) as stranger, pytest.raises(SchemaError, match="found the tables parcels"):
            stranger.open()


def test_a_migration_that_fails_says_what_the_child_said(url: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("daq.record.schema.sys.executable", "/bin/false")
    with pytest.raises(MigrationError, match=r"bench[^:]*: .*failed.*exit code 1"), closing(Store(url)) as store:
        store.open()


def test_two_processes_may_create_it_at_once(url: str) -> None:
    code = f"from daq.record.store import Store; s = Store({url!r}); s.open(); print(s.stats().unsent)"
    both = [subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, text=True) for _ in range(2)]
    assert [p.communicate()[0].strip() for p in both] == ["0", "0"]


def test_the_daemon_imports_neither_alembic_nor_pyarrow() -> None:
    code = (
        "import sys, daq.record.async_store, daq.record.trace; "
        "print(sorted({'alembic', 'pyarrow', 'pydantic', 'pint'} & set(sys.modules)))"
    )
    said = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout
    assert said.strip() == "[]"
