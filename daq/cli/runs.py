"""`steadyhead runs`: what was recorded, listed, shown and exported. Reads only."""

import re
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict
from datetime import UTC, datetime
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from daq.cli.options import ConfigOption, JsonOption
from daq.cli.output import in_terminal, note, put, put_json, put_pairs, put_table

if TYPE_CHECKING:
    from daq.record.store import Store
    from daq.record.values import Filter, RunLine

app = typer.Typer(no_args_is_help=True, add_completion=False, help="List, show and export recorded runs.")

ALL = 2**31 - 1
"""As many runs as any database takes for a limit."""


class Format(StrEnum):
    """JSON: all that is known of each run, in one array. CSV: one line a finding."""

    JSON = "json"
    CSV = "csv"


TIMES = "2026-11, 2026-11-03 or '2026-11-03 07:30', local unless it ends with Z or +01:00"


def moment(text: str) -> datetime:
    """A time as people give it, local where they say nothing else; a month or year is its first day."""
    try:
        month = re.fullmatch(r"(\d{4})(?:-(\d\d?))?", text.strip())
        found = datetime(int(month[1]), int(month[2] or 1), 1) if month else datetime.fromisoformat(text.strip())  # noqa: DTZ001 - local
        return found.astimezone()
    except (ValueError, OverflowError, OSError):
        raise typer.BadParameter(f"expected a time such as {TIMES}, found {text!r}") from None


DatabaseOption = Annotated[
    str | None, typer.Option("--database", metavar="URL", help="Database (default: the one in stand.toml).")
]
DataOption = Annotated[
    Path | None,
    typer.Option(
        "--data", metavar="DIR", readable=False, help="The database in this directory, as `run --data` wrote it."
    ),
]
PartOption = Annotated[str | None, typer.Option("--part", help="Only this part number.")]
SerialOption = Annotated[str | None, typer.Option("--serial", help="Only this serial number.")]
VerdictOption = Annotated[str | None, typer.Option("--verdict", help="Only pass, fail, undecided or void.")]
SinceOption = Annotated[
    datetime | None,
    typer.Option("--since", parser=moment, metavar="TIME", help=f"Begun then or later: {TIMES}."),
]
UntilOption = Annotated[
    datetime | None, typer.Option("--until", parser=moment, metavar="TIME", help="Begun before then; as --since.")
]


@app.command(name="list")
def list_(
    *,
    config: ConfigOption = None,
    database: DatabaseOption = None,
    data: DataOption = None,
    part: PartOption = None,
    serial: SerialOption = None,
    verdict: VerdictOption = None,
    since: SinceOption = None,
    until: UntilOption = None,
    limit: Annotated[int, typer.Option("--limit", min=1, help="At most so many, the newest.")] = 50,
    json: JsonOption = False,
) -> None:
    """List runs, newest first."""
    wanted = filter_of(part=part, serial=serial, verdict=verdict, since=since, until=until, limit=limit)
    with open_store(config, database, data) as store:
        lines = store.runs(wanted)
    if json:
        put_json([asdict(line) | {"started": _time(line.started), "ended": _time(line.ended)} for line in lines])
        return
    head = ("seq", "run", "started (UTC)", "part", "serial", "verdict", "sim")
    put_table(head, [_short(line) if in_terminal() else _whole(line) for line in lines])


def _short(line: "RunLine") -> tuple[Any, ...]:
    """What fits a terminal of 80 columns; of the run the beginning that holds its time, which is enough for `show`."""
    verdict = f"{line.verdict}: {line.why}" if line.why else line.verdict or "under way"
    started = line.started.astimezone(UTC).strftime("%Y-%m-%d %H:%M")
    return (line.seq, line.run[:13], started, line.part, line.serial, verdict, "yes" if line.sim else "no")


def _whole(line: "RunLine") -> tuple[Any, ...]:
    """All of it for a program: as it is stored, with the stand, the attempt and the reason."""
    return (
        *(line.seq, line.run, _time(line.started), f"{line.site}/{line.stand}", line.part, line.serial),
        *(line.attempt, line.verdict or "under way", line.why, "simulated" if line.sim else "hardware"),
    )


@app.command()
def show(
    run: Annotated[str, typer.Argument(metavar="RUN", help="The run's id, or enough of its beginning.")],
    *,
    config: ConfigOption = None,
    database: DatabaseOption = None,
    data: DataOption = None,
    budget: Annotated[
        bool, typer.Option("--budget", help="Show where the uncertainty of each reading comes from.")
    ] = False,
    json: JsonOption = False,
) -> None:
    """Show a run: its verdict, findings, readings and hints at causes, or the uncertainty budget of each reading."""
    from daq.cli.run_text import FINDING_HEAD, HINT_HEAD, READING_HEAD, facts, finding_rows, hint_rows, reading_rows

    with open_store(config, database, data) as store:
        stored = store.run(run)
    if budget:
        _show_budgets(stored.data, json)
        return
    if json:
        put_json(stored.data)
        return
    put_pairs(facts(stored))
    put_table(FINDING_HEAD, finding_rows(stored.data))
    put_table(READING_HEAD, reading_rows(stored.data))
    if stored.data["hints"]:
        put_table(HINT_HEAD, hint_rows(stored.data))


def _show_budgets(data: dict[str, Any], json: bool) -> None:
    from daq.cli.budget_text import BUDGET_HEAD, budget_rows, budgets, conclusion

    readings = budgets(data)
    if json:
        told = ("value", "unit", "u", "U", "k", "dof", "n_effective", "corrections", "budget")
        put_json([{"reading": r["name"], **{key: r[key] for key in told}} for r in readings])
        return
    for reading in readings:
        if in_terminal():
            put("")
            put(f"{reading['name']}, in {reading['unit']}")
        put_table(
            BUDGET_HEAD if in_terminal() else ("reading", *BUDGET_HEAD), budget_rows(reading, named=not in_terminal())
        )
        if in_terminal():
            put(conclusion(reading))


@app.command()
def export(
    *,
    config: ConfigOption = None,
    database: DatabaseOption = None,
    data: DataOption = None,
    part: PartOption = None,
    serial: SerialOption = None,
    verdict: VerdictOption = None,
    since: SinceOption = None,
    until: UntilOption = None,
    format_: Annotated[Format, typer.Option("--format", help="json, or csv with one line a finding.")] = Format.JSON,
    json: JsonOption = False,
    output: Annotated[Path | None, typer.Option("--output", "-o", help="A file instead of standard output.")] = None,
    force: Annotated[bool, typer.Option("--force", help="Replace the file of --output where it is there.")] = False,
) -> None:
    """Export runs, oldest first."""
    from daq.cli.run_text import as_csv, as_json

    wanted = filter_of(part=part, serial=serial, verdict=verdict, since=since, until=until, limit=ALL)
    if output is not None and output.exists() and not force:
        why = f"{output} is there already; name another file, or add --force to replace it"
        raise typer.BadParameter(why, param_hint="--output")
    with open_store(config, database, data) as store:
        lines = store.runs(wanted)
        told = [store.run(line.run).data for line in reversed(lines)]
    text = as_csv(told) if format_ is Format.CSV and not json else as_json(told)
    if output is None:
        sys.stdout.write(text)
    else:
        try:
            with output.open("w" if force else "x", encoding="utf-8", newline="") as file:
                file.write(text)
        except OSError as error:
            why = f"{output} cannot be written ({error.strerror}); name another file or mend its folder"
            raise typer.BadParameter(why, param_hint="--output") from error
        note(f"{len(told)} runs in {output}")


def filter_of(
    *,
    part: str | None,
    serial: str | None,
    verdict: str | None,
    since: datetime | None,
    until: datetime | None,
    limit: int,
) -> "Filter":
    """What options ask for. Wrong usage where a verdict is none."""
    from daq.cli.exits import BY_VERDICT
    from daq.record.values import Filter

    if verdict is not None and verdict not in BY_VERDICT:
        raise typer.BadParameter(f"{verdict!r} is none of {', '.join(BY_VERDICT)}", param_hint="--verdict")
    return Filter(part=part, serial=serial, verdict=verdict, since=since, until=until, limit=limit)


@contextmanager
def open_store(config: Path | None, database: str | None, data: Path | None = None) -> "Iterator[Store]":
    """The store, open for reading.

    Raises:
        RecordError: it is not there, or cannot be read.
    """
    from daq.record.store import Store

    store = Store(database_url(config, database, data), reads=True)
    try:
        store.open()
        yield store
    finally:
        store.close()


def database_url(config: Path | None, database: str | None, data: Path | None = None) -> str:
    """The database that options name, else the configured one."""
    from daq.catalogue.load import load_stand
    from daq.cli.config import configuration
    from daq.record.engine import sqlite_url

    if database is not None and data is not None:
        raise typer.BadParameter("expected at most one of them", param_hint="--database, --data")
    if data is not None:
        return sqlite_url(data / "records.db")
    return database or load_stand(configuration(config)).database


def data_of(config: Path | None, data: Path | None = None) -> Path:
    """Where recordings and traces lie."""
    from daq.catalogue.find import find_config
    from daq.catalogue.load import load_stand

    return data or load_stand(find_config(config)).data


def _time(time: datetime | None) -> str | None:
    from daq.record.times import rfc3339

    return None if time is None else rfc3339(time)
