"""The set-up scripts, in a small checkout of their own with a Python that only notes what it is asked to do."""

import os
import re
import shutil
import subprocess
import tomllib
from dataclasses import dataclass
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]

# Stands for the machine's python3, and copies itself into the environments that it makes.
PYTHON = """\
#!/usr/bin/env bash
if [ "$1" = -c ]; then
    case $2 in
        *ensurepip*) [ ! -e "$NOTES/no-ensurepip" ] ;;
        *-venv*) echo python3.11-venv ;;
    esac
    exit
fi
echo "$2 ${3:-}" >>"$NOTES/asked"
case $2 in
    venv) mkdir -p "$4/bin" && cp "$0" "$4/bin/python" ;;
    pip) [ ! -e "$NOTES/no-network" ] ;;
    pytest) exit "$(cat "$NOTES/pytest" 2>/dev/null || echo 0)" ;;
esac
"""
TOOL = """\
#!/usr/bin/env bash
name=$(basename "$0")
echo "$name ${1:-}" >>"$NOTES/asked"
exit "$(cat "$NOTES/$name" 2>/dev/null || echo 0)"
"""


@dataclass(frozen=True, slots=True)
class Checkout:
    path: Path
    notes: Path
    env: dict[str, str]

    def run(self, script: str, *words: str) -> subprocess.CompletedProcess[str]:
        command = [self.path / script, *words]
        return subprocess.run(command, env=self.env, cwd="/", capture_output=True, text=True, check=False)

    def asked(self) -> list[str]:
        """What Python and the tools were asked to do since the last call."""
        notes = self.notes / "asked"
        lines = notes.read_text().splitlines() if notes.exists() else []
        notes.unlink(missing_ok=True)
        return [line.strip() for line in lines]


def program(path: Path, text: str) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text)
    path.chmod(0o755)


@pytest.fixture
def checkout(tmp_path: Path) -> Checkout:
    path, notes, bin_ = tmp_path / "a checkout", tmp_path / "notes", tmp_path / "bin"
    notes.mkdir()
    for script in ("demo", "check", "environment"):
        program(path / "deploy" / script, (ROOT / "deploy" / script).read_text())
    for file in ("deploy/requirements.lock", "deploy/requirements-check.lock", "pyproject.toml"):
        (path / file).write_text(file)
    for name in ("python3", *(f"python3.{minor}" for minor in range(11, 15))):
        program(bin_ / name, PYTHON)  # or the machine's own would be found behind them
    for tool in ("ruff", "mypy", "lint-imports", "steadyhead"):
        program(path / ".venv" / "bin" / tool, TOOL)
    for tool in ("mosquitto", "mosquitto_sub"):
        program(bin_ / tool, TOOL)
    return Checkout(path, notes, {"PATH": f"{bin_}:/usr/bin:/bin", "NOTES": str(notes), "HOME": ""})


MADE = ["venv --clear", "pip install", "pip install"]


def test_makes_the_environment_once(checkout: Checkout) -> None:
    assert checkout.run("deploy/demo", "--fast").returncode == 0
    assert checkout.asked() == [*MADE, "steadyhead demo"]
    second = checkout.run("deploy/demo")
    assert checkout.asked() == ["steadyhead demo"]
    assert second.stderr == ""


def test_passes_on_the_exit_code_of_the_demonstration(checkout: Checkout) -> None:
    (checkout.notes / "steadyhead").write_text("70")
    assert checkout.run("deploy/demo").returncode == 70


@pytest.mark.parametrize("first", [True, False], ids=["making", "updating"])
def test_makes_it_anew_after_an_interruption(checkout: Checkout, first: bool) -> None:
    if not first:
        checkout.run("deploy/demo")
        checkout.asked()
        (checkout.path / "pyproject.toml").write_text("changed")
    (checkout.notes / "no-network").touch()
    failed = checkout.run("deploy/demo")
    assert failed.returncode == 1
    assert "Running this again" in failed.stderr
    assert "steadyhead demo" not in checkout.asked()
    (checkout.notes / "no-network").unlink()
    assert checkout.run("deploy/demo").returncode == 0
    assert checkout.asked() == [*MADE, "steadyhead demo"]


@pytest.mark.parametrize("changed", ["deploy/requirements.lock", "pyproject.toml"])
def test_brings_packages_up_to_date_in_place(checkout: Checkout, changed: str) -> None:
    checkout.run("deploy/demo")
    checkout.asked()
    (checkout.path / changed).write_text("changed")
    checkout.run("deploy/demo")
    assert checkout.asked() == ["pip install", "pip install", "steadyhead demo"]


def test_makes_it_anew_where_the_checkout_was_moved(checkout: Checkout) -> None:
    checkout.run("deploy/demo")
    checkout.asked()
    moved = Checkout(checkout.path.rename(checkout.path.with_name("moved")), checkout.notes, checkout.env)
    moved.run("deploy/demo")
    assert moved.asked() == [*MADE, "steadyhead demo"]


def test_what_the_checks_need_is_enough_to_run(checkout: Checkout) -> None:
    checkout.run("deploy/check")
    checkout.asked()
    checkout.run("deploy/demo")
    assert checkout.asked() == ["steadyhead demo"]


def test_two_at_a_time_make_one_environment(checkout: Checkout) -> None:
    command = checkout.path / "deploy" / "demo"
    both = [subprocess.Popen(command, env=checkout.env, stderr=subprocess.DEVNULL) for _ in range(2)]
    assert [process.wait() for process in both] == [0, 0]
    assert sorted(checkout.asked()) == sorted([*MADE, "steadyhead demo", "steadyhead demo"])


def test_installs_what_debian_split_off_when_root_and_else_says_the_command(checkout: Checkout, tmp_path: Path) -> None:
    (checkout.notes / "no-ensurepip").touch()
    apt = '#!/usr/bin/env bash\necho "apt-get $*" >>"$NOTES/asked"\nrm -f "$NOTES/no-ensurepip"\n'
    program(tmp_path / "bin" / "apt-get", apt)
    program(tmp_path / "bin" / "id", "#!/bin/sh\necho 1000\n")
    told = checkout.run("deploy/demo")
    assert (told.returncode, checkout.asked()) == (1, [])
    command = "apt-get install -y --no-install-recommends python3.11-venv"
    assert f"apt-get update && {command}" in told.stderr
    program(tmp_path / "bin" / "id", "#!/bin/sh\necho 0\n")
    assert checkout.run("deploy/demo").returncode == 0
    assert checkout.asked() == ["apt-get update", command, *MADE, "steadyhead demo"]


STEPS = ["ruff format", "ruff check", "mypy", "lint-imports --no-logo", "pytest"]


def test_check_runs_every_step_and_tests_last(checkout: Checkout) -> None:
    good = checkout.run("deploy/check")
    assert good.returncode == 0, good.stderr
    assert checkout.asked() == [*MADE, *STEPS]


@pytest.mark.parametrize("version", ["19.1.7 (3+b1)", "21.0.0"])
def test_what_clang_lacks_is_named_after_the_clang_that_is_there(
    checkout: Checkout, tmp_path: Path, version: str
) -> None:
    program(tmp_path / "bin" / "clang", f'#!/bin/sh\necho "Debian clang version {version}"\n')
    program(tmp_path / "bin" / "id", "#!/bin/sh\necho 1000\n")
    told = checkout.run("deploy/check")
    assert told.returncode == 1
    assert f"missing: libclang-rt-{version.partition('.')[0]}-dev. " in told.stderr


def test_types_are_checked_for_the_interpreter_that_is_there() -> None:
    """numpy's own types are written in the syntax of the newest Python that it supports."""
    settings = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    assert "python_version" not in settings["tool"]["mypy"]


def test_check_ends_with_the_first_failure_and_names_all(checkout: Checkout) -> None:
    (checkout.notes / "mypy").write_text("3")
    (checkout.notes / "pytest").write_text("5")
    bad = checkout.run("deploy/check")
    assert bad.returncode == 3
    assert bad.stderr.splitlines()[-1] == "deploy/check: failed: types tests"
    assert checkout.asked() == [*MADE, *STEPS]


def pins(lock: str) -> dict[str, set[str]]:
    """Requirement, with its marker, to its hashes."""
    entries = re.split(r"\n(?=\S)", (ROOT / "deploy" / lock).read_text())
    found = (entry.split(" \\\n") for entry in entries if not entry.startswith("#"))
    return {name: {line.strip().removeprefix("--hash=") for line in hashes} for name, *hashes in found}


def test_every_pin_has_hashes_and_no_address() -> None:
    run, check = pins("requirements.lock"), pins("requirements-check.lock")
    assert run.items() <= check.items(), "deploy/demo takes an environment made for the checks as it is"
    assert all(re.fullmatch(r"[\w.-]+==[\w.]+( ; .+)?", name) for name in check)
    assert all(hashes and all(h.startswith("sha256:") for h in hashes) for hashes in check.values())


def test_scripts_can_be_called() -> None:
    for script in ("deploy/demo", "deploy/check", "deploy/lock", ".ci/run"):
        assert os.access(ROOT / script, os.X_OK), script
        assert shutil.which("bash")
        subprocess.run(["bash", "-n", ROOT / script], check=True)
