"""What DEVELOPERS.md says of the code is so: diagrams, names of files and modules, commands, tables of studies."""

import os
import re
import shlex
import sys
from importlib.util import find_spec
from pathlib import Path

import pytest
import typer

from daq.cli.root import app
from daq.measure.tables import PEAK_TABLE
from daq.procedure.plan import Kind
from daq.procedure.table import diagram
from tests.studies import looks, waveform
from tests.studies.mean import coverage
from tests.studies.peak import QUIET, remaining
from tests.studies.steady import STEP_S, Settings, drifting, grid_noise, resting

ROOT = Path(__file__).parents[1]
PAGE = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
TOOLS = Path(sys.executable).parent
FOLDERS = ("daq", "drivers", "simulator", "config", "deploy", "tests")

BLOCKS = re.findall(r"^```(\w+)\n(.*?)\n^```$", PAGE, flags=re.MULTILINE | re.DOTALL)
PROSE = re.sub(r"^```.*?^```$", "", PAGE, flags=re.MULTILINE | re.DOTALL)
CODE = sorted(set(re.findall(r"`([^`\n]+)`", PROSE)))
PATHS = [text for text in CODE if re.fullmatch(rf"(?:{'|'.join(FOLDERS)})/[\w./-]*|[\w.-]+\.(?:md|toml)", text)]
MODULES = [text for text in CODE if re.fullmatch(rf"(?:{'|'.join(FOLDERS)})(?:\.\w+)+", text)]
COMMANDS = [line for kind, text in BLOCKS if kind == "sh" for line in text.splitlines()]
COMMANDS += [text for text in CODE if text.startswith(("python -m ", "steadyhead "))]


def test_the_page_is_looked_through() -> None:
    """Were a pattern above to miss everything, the checks below would check nothing."""
    assert len(PATHS) > 30
    assert len(MODULES) > 3
    assert len(COMMANDS) > 10


def test_diagrams_are_those_of_the_table() -> None:
    shown = [text for kind, text in BLOCKS if kind == "mermaid"]
    assert shown == [*(diagram(kind) for kind in Kind), diagram(Kind.PUMP, driven=True)]


def test_links_lead_somewhere() -> None:
    targets = re.findall(r"\]\(([^)]+)\)", PAGE)
    assert targets
    assert [target for target in targets if not (ROOT / target).exists()] == []


@pytest.mark.parametrize("path", PATHS)
def test_a_file_named_is_there(path: str) -> None:
    assert (ROOT / path).exists()
    assert (ROOT / path).is_dir() == path.endswith("/"), "folders are written with a slash at the end, files without"


@pytest.mark.parametrize("name", MODULES)
def test_a_module_named_is_there(name: str) -> None:
    assert find_spec(name) is not None


@pytest.mark.parametrize("line", COMMANDS)
def test_a_command_begins_with_something_that_is_there(line: str) -> None:
    program, *words = shlex.split(line)
    name = Path(program).name
    if name == "steadyhead":
        _check_subcommand(words)
    elif name == "python":
        assert words[0] == "-m"
        assert find_spec(words[1]) is not None
    elif program.startswith(".venv/bin/"):
        assert (TOOLS / name).exists()
    else:
        assert os.access(ROOT / program, os.X_OK), f"no script {program}"
    assert [w for w in words if w.startswith(FOLDERS) and "/" in w and not (ROOT / w).exists()] == []


def _check_subcommand(words: list[str]) -> None:
    command = typer.main.get_command(app)
    context = command.make_context("steadyhead", list(words), resilient_parsing=True)
    _, found, rest = command.resolve_command(context, words)
    assert found is not None, f"steadyhead has no command {words[0]!r}"
    below = getattr(found, "commands", None)
    if below and rest:
        assert rest[0] in below, f"steadyhead {words[0]} has no subcommand {rest[0]!r}"
        found = below[rest[0]]
    known = {option for parameter in found.params for option in parameter.opts}
    assert [word for word in rest if word.startswith("--") and word not in known] == []


def test_decisions_are_numbered_without_a_gap() -> None:
    numbers = [int(n) for n in re.findall(r"^(\d+)\. ", PAGE.partition("\n## Decisions\n")[2], flags=re.MULTILINE)]
    assert numbers == list(range(1, len(numbers) + 1))
    assert numbers


def figures(*head: str) -> list[float]:
    """The numbers of the first table row that begins with these cells, without their units."""
    rows = [
        [cell.strip() for cell in line.strip("|").split("|")] for line in PAGE.splitlines() if line.startswith("| ")
    ]
    row = next(row for row in rows if tuple(row[: len(head)]) == head)
    return [float(n) for cell in row[len(head) :] for n in re.findall(r"-?\d+(?:\.\d+)?", cell)]


def test_a_row_of_the_steady_study() -> None:
    """One of its rows, made again in full: whoever changes the detector has to make the tables anew."""
    series = grid_noise(0.5, 0.3, 300)
    rest, drift = resting(series, STEP_S, Settings()), drifting(series, STEP_S, Settings())
    shown = figures("0.5 %", "0.3")
    assert shown[:2] == pytest.approx([rest.delay, rest.long_delay], abs=0.0051)
    assert shown[2:4] == pytest.approx([100 * rest.kept, 100 * rest.missed], abs=0.051)
    assert shown[5] == pytest.approx(100 * drift, abs=0.051)


def test_a_row_of_the_study_of_means() -> None:
    held, half = coverage(0.0, 20, 4_000)
    shown = figures("20")
    assert shown[0] == pytest.approx(100 * held, abs=0.051)
    assert shown[1] == pytest.approx(half, abs=0.0051)


def test_a_row_of_the_study_of_looks() -> None:
    shown = figures("pressure, current: white", "1")
    decided, reported = (looks.tally(looks.NOISES[0], 1.0, mode, 600) for mode in ("1", "report"))
    found = [100 * n / decided.runs for n in (decided.held, decided.wrong, decided.clear)]
    assert shown[:3] == pytest.approx(found, abs=0.051)
    assert shown[3] == pytest.approx(decided.looks / decided.runs, abs=0.0051)
    assert shown[8] == pytest.approx(100 * reported.held / reported.runs, abs=0.051)
    assert shown[9] == pytest.approx(reported.half / reported.runs, abs=0.0051)


def test_a_row_of_the_waveform_study() -> None:
    again = waveform.row(waveform.equal, 5.0, 100)
    assert figures("equal", "5") == [float(cell.removesuffix(" %")) for cell in again]


def test_the_tables_of_the_peak_study() -> None:
    shares, biases, scatters = zip(*PEAK_TABLE, strict=True)
    assert (figures("share of 50 ms"), figures("bias"), figures("scatter")) == ([*shares], [*biases], [*scatters])
    left = remaining(QUIET, 500)
    shown = figures("white 0.2 %, wander 0.045 %", "500")
    assert shown[:3] == pytest.approx([left.mean, left.error, left.doubt], abs=0.00051)
    assert shown[3:] == pytest.approx([left.relative, 100 * left.beyond], abs=0.051)
