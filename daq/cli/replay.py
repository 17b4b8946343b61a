"""`steadyhead replay`: a recording judged again, by the texts that were in force or by others."""

from pathlib import Path
from typing import Annotated

import typer

from daq.cli.options import ConfigOption, JsonOption
from daq.cli.output import note, put, put_json, put_table

app = typer.Typer(add_completion=False)


@app.command()
def replay(
    file: Annotated[
        Path, typer.Argument(metavar="FILE", help="A recording (.rec) of a run.", exists=True, dir_okay=False)
    ],
    config: ConfigOption = None,
    json: JsonOption = False,
) -> None:
    """Judge a recording again and show readings, findings and verdict. Nothing is stored or sent.

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

    async def judge() -> c.ResultData:
        where = str(file.absolute())  # any name, also one that would be cut when read as an address
        device = await open_replay(Address(f"replay://{where}", "replay", where))
        return await rejudge(device, in_force(device, configuration(config) if config else None))

    began = time.perf_counter()
    result = asyncio.run(judge())
    took = time.perf_counter() - began
    data = c.plain(result)
    if json:
        put_json(data)
        return
    put(f"{data['verdict']}{': ' + data['why'] if data['why'] else ''}")
    put_table(FINDING_HEAD, finding_rows(data))
    put_table(READING_HEAD, reading_rows(data))
    scans = data["quality"]["scans_received"]
    note(f"{scans} scans in {took:.2f} s")
