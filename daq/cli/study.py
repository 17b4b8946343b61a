"""`steadyhead study`: questions to many runs at once. Each subcommand has a module of its own."""

import typer

from daq.cli.study_blind import blind
from daq.cli.study_repeats import repeats

app = typer.Typer(no_args_is_help=True, add_completion=False, help="Ask many runs, recorded or simulated, at once.")


@app.callback()
def study() -> None:
    """Ask many runs, recorded or simulated, at once."""


app.command()(repeats)
app.command()(blind)
