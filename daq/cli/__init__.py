"""The command `steadyhead`. Each subcommand is a module of this package, imported when it is called."""


def main() -> None:
    """Runs the command line with the process's arguments.

    Raises:
        SystemExit: always, with a code of `daq.cli.exits`.
    """
    from daq.cli.root import app

    app()
