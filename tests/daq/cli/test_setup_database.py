"""`steadyhead setup database`: tables made, brought up to date, and back."""

import json
from contextlib import closing
from pathlib import Path

from daq.record.schema import HEAD, REVISIONS
from daq.record.store import Store
from daq.record.values import Filter
from tests.daq.cli.conftest import Command
from tests.daq.record.bench import finish, started


def test_tables_are_made_moved_and_moved_back_with_what_is_in_them(steadyhead: Command, tmp_path: Path) -> None:
    file = tmp_path / "data" / "records.db"
    made = steadyhead("setup", "database")
    assert (made.exit_code, made.stdout) == (0, f"{file}: brought from nothing to revision {HEAD}\n")
    assert steadyhead("setup", "database").stdout == f"{file}: is at revision {HEAD} already\n"
    with closing(Store(f"sqlite:///{file}")) as store:
        store.open()
        store.start_run(started())
        store.finish_run(started().run, finish(started(), "pass"))
    back = steadyhead("setup", "database", "--to", "0001", "--json")
    assert json.loads(back.stdout) == {"database": str(file), "before": HEAD, "after": "0001"}
    old = steadyhead("runs", "list")
    assert (old.exit_code, "`steadyhead setup database` brings it up to date" in old.stderr) == (70, True)
    assert "the daemon brings it up to date at its start" in steadyhead("setup", "check").stdout
    assert steadyhead("setup", "database").exit_code == 0
    with closing(Store(f"sqlite:///{file}", reads=True)) as store:
        store.open()
        assert [line.verdict for line in store.runs(Filter())] == ["pass"]


def test_a_revision_that_there_is_not(steadyhead: Command, tmp_path: Path) -> None:
    for to in ("0000", "base", "head"):
        ended = steadyhead("setup", "database", "--to", to)
        assert (ended.exit_code, f"is none of {', '.join(REVISIONS)}" in " ".join(ended.stderr.split())) == (64, True)
    assert not (tmp_path / "data").exists()
