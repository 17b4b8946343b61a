"""`steadyhead setup database`: the tables made, or brought to a revision."""

from contextlib import closing
from pathlib import Path

import typer

from daq.cli.output import put, put_json
from daq.cli.runs import database_url
from daq.record.schema import HEAD, REVISIONS
from daq.record.store import Store


def move(config: Path | None, url: str | None, data: Path | None, to: str | None, *, json: bool) -> None:
    """Brings the database to a revision, the newest by default, and says from which it came.

    Raises:
        RecordError: it cannot be used, or not be brought there; then it is as it was.
    """
    if to is not None and to not in REVISIONS:
        raise typer.BadParameter(f"{to!r} is none of {', '.join(REVISIONS)}", param_hint="--to")
    with closing(Store(database_url(config, url, data))) as store:
        before, after = store.move(to or HEAD), to or HEAD
        if json:
            put_json({"database": store.where, "before": before, "after": after})
        elif before == after:
            put(f"{store.where}: is at revision {after} already")
        else:
            put(f"{store.where}: brought from {before or 'nothing'} to revision {after}")
