"""The command `steadyhead`. Each subcommand is a module of this package, imported when it is called."""

from typing import NoReturn


def main() -> NoReturn:
    """Runs the command line with the process's arguments and ends the process with a code of `daq.cli.exits`."""
    from daq.cli.root import app

    app()
    raise SystemExit(0)
