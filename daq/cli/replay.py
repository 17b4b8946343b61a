"""`steadyhead replay`: a recording judged again, by the texts that were in force or by others."""

import os
from pathlib import Path
from typing import Annotated, NoReturn

import typer

from daq.access import opened_by
from daq.cli.options import ConfigOption, JsonOption
from daq.cli.output import note, put, put_json, put_table
from daq.cli.runs import DatabaseOption, DataOption, data_of, open_store

app = typer.Typer(add_completion=False)

PARQUET = b"PAR1"
"""What a Parquet file begins with (Apache Parquet, file format)."""


@app.command()
def replay(
    recording: Annotated[
        str, typer.Argument(metavar="FILE|RUN", help="A recording (.rec) of a run, or the run's id, or its beginning.")
    ],
    config: ConfigOption = None,
    database: DatabaseOption = None,
    data: DataOption = None,
    json: JsonOption = False,
) -> None:
    """Judge a recording again and show readings, findings and verdict. Nothing is stored or sent.

    A run's recording is found by its id in the records of the stand, or in --database or --data.

    Without --config the part and stand that were in force then judge it, so the result is the same to the last digit.
    """
    import asyncio
    import time

    from daq.cli.config import configuration
    from daq.cli.run_text import FINDING_HEAD, READING_HEAD, finding_rows, reading_rows
    from daq.publish import contract as c
    from daq.stand.rejudge import in_force, rejudge
    from drivers.device import Address
    from drivers.replay import open_replay

    file = _file_of(recording, config, database, data)

    async def judge() -> c.ResultData:
        where = str(file.absolute())  # any name, also one that would be cut when read as an address
        device = await open_replay(Address(f"replay://{where}", "replay", where))
        return await rejudge(device, in_force(device, configuration(config) if config else None))

    began = time.perf_counter()
    result = asyncio.run(judge())
    took = time.perf_counter() - began
    judged = c.plain(result)
    if json:
        put_json(judged)
        return
    put(f"{judged['verdict']}{': ' + judged['why'] if judged['why'] else ''}")
    put_table(FINDING_HEAD, finding_rows(judged))
    put_table(READING_HEAD, reading_rows(judged))
    scans = judged["quality"]["scans_received"]
    note(f"{scans} scans in {took:.2f} s")


def _file_of(text: str, config: Path | None, database: str | None, data: Path | None) -> Path:
    """The recording that is named, or that a run named has.

    Raises:
        typer.BadParameter: it is closed to this user, a trace, or not there.
        RecordError: no run has this id, or the records cannot be read.
    """
    named = Path(text)
    file = named if named.exists() or named.suffix or len(named.parts) > 1 else _of_run(text, config, database, data)
    if file.is_dir() or not file.exists():
        _wrong(
            f"expected a recording (.rec) or a run's id, found {'a folder' if file.is_dir() else 'nothing'} at {file}"
        )
    if not os.access(file, os.R_OK):
        _wrong(f"{file}: permission denied; {opened_by(file)}")
    with file.open("rb") as begun:
        if begun.read(len(PARQUET)) == PARQUET:
            _wrong(
                f"{file} is a trace: what was measured, by quantity, for a program that reads Parquet. Judged again is "
                f"a recording: replay {file.stem} takes that of the run of this name"
            )
    return file


def _of_run(run: str, config: Path | None, database: str | None, data: Path | None) -> Path:
    with open_store(config, database, data) as store:
        stored = store.run(run).data
    if not stored.get("recording"):
        _wrong(f"run {stored['run']} has no recording; what was found of it stands in: runs show {stored['run']}")
    return data_of(config, data) / str(stored["recording"]["file"])


def _wrong(text: str) -> NoReturn:
    raise typer.BadParameter(text, param_hint="FILE|RUN")
