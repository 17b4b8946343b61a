"""The root of the command line: finds a subcommand's module when it is called, and turns errors into exit codes."""

import os
import traceback
from importlib import import_module
from importlib.metadata import version
from importlib.util import find_spec
from pathlib import Path
from typing import Annotated, Any

import typer
from typer.core import TyperCommand, TyperGroup, TyperOption

from daq.access import opened_by
from daq.cli.exits import Exit, exit_for
from daq.cli.output import PROGRAM, complain, put, silence

COMMANDS = {
    "demo": "Show it all: a simulated stand, a broker, and the daemon testing several units.",
    "serve": "Run the daemon of a stand.",
    "run": "Test one unit in the foreground; the exit code is its verdict.",
    "simulate": "Simulate a stand on a serial port or TCP.",
    "replay": "Judge a recording again.",
    "parts": "Check, list and show the catalogue of parts.",
    "runs": "List, show and export recorded runs.",
    "study": "Ask many runs, recorded or simulated, at once.",
    "setup": "Check configuration, device, broker, database and disk; measure the stand's leak.",
}
"""Subcommands by the name of their module, which offers a Typer called `app`; listing them loads none."""

UMASK = 0o027
"""Files are for their owner to write and their group to read, whatever shell or service manager began this."""

TRACEBACK = "STEADYHEAD_TRACEBACK"

OURS: dict[object, Exit] = {None: Exit.PASS, 1: Exit.INTERRUPTED, 2: Exit.USAGE}
"""The framework ends with 2 after wrong usage, and with 1 where a prompt or a pipe was cut off."""


_with_type = TyperOption.display_type_rich


def _without_type_of_flags(option: TyperOption, ctx: Any) -> str | None:
    """Help shows what follows an option, and nothing follows a flag."""
    return None if option.is_flag else _with_type(option, ctx)


TyperOption.display_type_rich = _without_type_of_flags  # type: ignore[method-assign,assignment] # no setting does it


class Commands(TyperGroup):
    """Loads a subcommand when it is called."""

    def list_commands(self, ctx: Any) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: Any, cmd_name: str) -> Any:
        """The command's name and help, for listing."""
        return TyperCommand(cmd_name, help=COMMANDS[cmd_name]) if cmd_name in COMMANDS else None

    def resolve_command(self, ctx: Any, args: list[str]) -> Any:
        name, listed, rest = super().resolve_command(ctx, args)
        return name, listed and self._loaded(ctx, listed.name or ""), rest

    def _loaded(self, ctx: Any, name: str) -> Any:
        module = f"{__package__}.{name}"
        if find_spec(module) is None:
            ctx.fail(f"this installation has no command {name!r}")
        command = typer.main.get_command(import_module(module).app)
        command.name = name
        return command

    def main(self, *args: Any, **extra: Any) -> Any:
        """As the framework's, but with the exit codes of `daq.cli.exits` and one message for an error.

        Raises:
            SystemExit: with the code.
        """
        os.umask(UMASK)
        try:
            return super().main(*args, **extra)
        except SystemExit as ended:
            raise SystemExit(OURS.get(ended.code, ended.code)) from None
        except KeyboardInterrupt:
            raise SystemExit(Exit.INTERRUPTED) from None
        except BrokenPipeError:  # whoever read the output has had enough
            silence()
            raise SystemExit(Exit.INTERRUPTED) from None
        except Exception as error:  # noqa: BLE001 - the root of every command
            raise SystemExit(_report(error)) from None


def _report(error: Exception) -> Exit:
    """Says what went wrong, and gives the code to end with."""
    while isinstance(error, ExceptionGroup) and len(error.exceptions) == 1:
        error = error.exceptions[0]  # a group says nothing of its own
    if os.environ.get(TRACEBACK):
        traceback.print_exception(error)
    if isinstance(error, PermissionError) and error.filename is not None:
        complain(f"{error.filename}: permission denied; {opened_by(Path(os.fsdecode(error.filename)))}")
        return Exit.INTERNAL
    code = exit_for(error)
    if code is None:
        complain(f"internal error: {type(error).__name__}: {error}; set {TRACEBACK}=1 to see where, and report it")
        return Exit.INTERNAL
    complain(str(error))
    return code


app = typer.Typer(
    cls=Commands,
    name=PROGRAM,
    add_completion=False,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    help="Judges electric in-tank fuel pumps and pump modules on a test stand.",
)


def _show_version(asked: bool) -> None:
    if asked:
        put(f"{PROGRAM} {version(PROGRAM)}")
        raise typer.Exit


@app.callback()
def root(
    _: Annotated[
        bool, typer.Option("--version", is_eager=True, callback=_show_version, help="Show the version and exit.")
    ] = False,
) -> None:
    pass
