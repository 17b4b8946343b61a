"""The root of the command line: help without imports, lazy commands, exit codes and messages."""

import subprocess
import sys
import types
from collections.abc import Callable

import pytest
import typer

from daq.catalogue.errors import CatalogueError, Problem
from daq.cli.exits import BY_VERDICT, Exit, exit_for
from daq.cli.root import COMMANDS
from daq.record.errors import DiskFullError, UnknownRunError
from drivers.device import AddressError, PortBusyError
from tests.daq.cli.conftest import Command

HEAVY = ("pint", "sqlalchemy", "numpy", "pydantic", "pyarrow", "alembic", "aiomqtt", "serial", "asyncio")


def test_help_names_every_command_and_imports_nothing_heavy() -> None:
    program = (
        "import sys\n"
        "from daq.cli import main\n"
        "sys.argv = ['steadyhead', '--help']\n"
        "try:\n    main()\nexcept SystemExit as ended:\n    assert ended.code == 0\n"
        f"print(*[name for name in {HEAVY!r} if name in sys.modules], file=sys.stderr)\n"
    )
    ended = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert ended.stderr.split() == []
    for name in COMMANDS:
        assert f" {name} " in ended.stdout


def test_codes_of_verdicts() -> None:
    codes = {verdict: int(code) for verdict, code in BY_VERDICT.items()}
    assert codes == {"pass": 0, "fail": 10, "undecided": 11, "void": 12}


def test_the_version(steadyhead: Command) -> None:
    ended = steadyhead("--version")
    assert ended.exit_code == 0
    assert ended.stdout.startswith("steadyhead ")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("bogus",), "No such command 'bogus'"),
        (("--bogus",), "No such option"),
        (("parts", "bogus"), "No such command 'bogus'"),
        (("parts", "show"), "Missing argument 'PART'"),
        (("runs", "list", "--limit", "0"), "--limit"),
        (("simulate", "--tcp", "5025"), "expected HOST:PORT"),
        ((), "Usage"),
    ],
)
def test_wrong_usage_ends_with_64(steadyhead: Command, words: tuple[str, ...], said: str) -> None:
    ended = steadyhead(*words)
    assert ended.exit_code == Exit.USAGE
    assert said in ended.output
    assert "Traceback" not in ended.output


def test_a_command_whose_module_is_missing_breaks_no_other(
    steadyhead: Command, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(COMMANDS, "nowhere", "A command that was left out.")
    ended = steadyhead("nowhere")
    assert ended.exit_code == Exit.USAGE
    assert "this installation has no command 'nowhere'" in ended.stderr
    assert steadyhead("parts", "list").exit_code == 0


@pytest.fixture
def raising(monkeypatch: pytest.MonkeyPatch, steadyhead: Command) -> Callable[[BaseException], object]:
    """Runs a command that raises."""

    def run(error: BaseException) -> object:
        def raises() -> None:
            raise error

        module = types.ModuleType("daq.cli.raises")
        module.__spec__ = types.SimpleNamespace(name="daq.cli.raises")  # type: ignore[assignment]
        command = typer.Typer()
        command.command()(raises)
        module.app = command  # type: ignore[attr-defined]
        monkeypatch.setitem(sys.modules, "daq.cli.raises", module)
        monkeypatch.setitem(COMMANDS, "raises", "A command that raises.")
        return steadyhead("raises")

    return run


@pytest.mark.parametrize(
    ("error", "code", "said"),
    [
        (CatalogueError([Problem("f", "k", "e", "x", "do")]), 64, "steadyhead: f: k: expected e, found x; do\n"),
        (AddressError("no scheme"), 64, "steadyhead: no scheme\n"),
        (PortBusyError("port busy"), 70, "steadyhead: port busy\n"),
        (UnknownRunError("no such run"), 64, "steadyhead: no such run\n"),
        (DiskFullError("disk full"), 70, "steadyhead: disk full\n"),
        (ExceptionGroup("tasks", [DiskFullError("disk full")]), 70, "steadyhead: disk full\n"),
        (KeyboardInterrupt(), 130, ""),
        (typer.Exit(11), 11, ""),
        (
            *(ZeroDivisionError("by nought"), 70),
            "steadyhead: internal error: ZeroDivisionError: by nought; set STEADYHEAD_TRACEBACK=1 to see where, "
            "and report it\n",
        ),
    ],
)
def test_an_error_ends_with_its_code_and_one_message(
    raising: Command, monkeypatch: pytest.MonkeyPatch, error: BaseException, code: int, said: str
) -> None:
    monkeypatch.delenv("STEADYHEAD_TRACEBACK", raising=False)
    ended = raising(error)
    assert (ended.exit_code, ended.stderr) == (code, said)


def test_where_an_internal_error_came_from_is_shown_when_asked(
    raising: Command, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("STEADYHEAD_TRACEBACK", "1")
    assert "in raises" in raising(ValueError("this")).stderr


def test_an_error_of_nobody_is_internal() -> None:
    assert exit_for(ValueError()) is None
