"""`steadyhead setup`: is everything there that a stand needs, and what mends it if not. Never starts a pump."""

from dataclasses import asdict
from typing import TYPE_CHECKING

import typer

from daq.cli.exits import Exit
from daq.cli.options import ConfigOption, JsonOption
from daq.cli.output import put_json, put_table

if TYPE_CHECKING:
    from daq.cli.setup_checks import Outcome

app = typer.Typer(no_args_is_help=True, add_completion=False, help="Check what a stand needs.")


@app.callback()
def setup() -> None:
    """Check what a stand needs."""


@app.command()
def check(config: ConfigOption = None, json: JsonOption = False) -> None:
    """Check configuration, calibration, device, broker, database and disk; say what is wrong and what mends it."""
    from daq.cli.setup_checks import outcomes

    found = list(outcomes(config))
    if json:
        put_json([asdict(outcome) for outcome in found])
    else:
        put_table(("", "what", "found", "to mend it"), [_row(outcome) for outcome in found])
    if any(not o.ok for o in found if o.what == "configuration"):
        raise typer.Exit(Exit.USAGE)
    if not all(outcome.ok for outcome in found):
        raise typer.Exit(Exit.INTERNAL)


def _row(outcome: "Outcome") -> tuple[str, str, str, str]:
    return ("ok" if outcome.ok else "WRONG", outcome.what, outcome.found, outcome.mend)
