"""What README.md tells people to type exists, and its examples are true."""

import json
import os
import re
import shlex
import shutil
import subprocess
import sys
from functools import cache
from pathlib import Path

import pytest

from daq.cli.exits import BY_VERDICT, Exit

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")
STEADYHEAD = Path(sys.executable).with_name("steadyhead")

BLOCKS = re.findall(r"^```(\w+)\n(.*?)^```$", README, flags=re.MULTILINE | re.DOTALL)
INLINE = re.findall(r"`((?:steadyhead|deploy/demo|deploy/check)(?: [^`]+)?)`", README)
COMMANDS = sorted({line for kind, text in BLOCKS if kind == "sh" for line in text.splitlines()} | set(INLINE))
# What is behind deploy/demo goes to `steadyhead demo`.
OURS = [
    line for line in (c.replace("deploy/demo", "steadyhead demo") for c in COMMANDS) if line.startswith("steadyhead ")
]

# Those that need neither a stand nor a broker, and end by themselves.
RUN = ("steadyhead --help", "steadyhead parts check", "steadyhead runs export --help")


def steadyhead(*words: str) -> subprocess.CompletedProcess[str]:
    env = os.environ | {"COLUMNS": "200", "NO_COLOR": "1", "TERM": "dumb"}
    env.pop("STEADYHEAD_CONFIG", None)
    return subprocess.run([STEADYHEAD, *words], cwd=ROOT, env=env, capture_output=True, text=True, check=False)


@cache
def help_of(*words: str) -> str:
    done = steadyhead(*words, "--help")
    assert done.returncode == 0, f"steadyhead {' '.join(words)}: {done.stderr}"
    return done.stdout


def subcommand(words: list[str]) -> tuple[str, ...]:
    """The words that name a subcommand, each found in the list that the one before gives; the rest are arguments."""
    path: tuple[str, ...] = ()
    while "─ Commands" in help_of(*path) and len(path) < len(words):
        word = words[len(path)]
        assert re.search(rf"^│ {re.escape(word)}\s", help_of(*path), re.MULTILINE), f"no command {word!r} in {path}"
        path = (*path, word)
    return path


@pytest.mark.parametrize("line", OURS)
def test_subcommand_and_options_exist(line: str) -> None:
    words = shlex.split(line)[1:]
    told = help_of(*subcommand([word for word in words if not word.startswith("-")]))
    for option in (word for word in words if word.startswith("--")):
        assert re.search(rf"{option}\b", told), f"{line}: {option} is not in its help"


@pytest.mark.parametrize("line", RUN)
def test_example_runs(line: str) -> None:
    assert line in COMMANDS
    done = steadyhead(*shlex.split(line)[1:])
    assert done.returncode == 0, done.stderr


@pytest.mark.parametrize("line", [line for line in COMMANDS if line not in OURS])
def test_other_program_is_there(line: str) -> None:
    program = shlex.split(line)[0]
    found = shutil.which(STEADYHEAD if program == "steadyhead" else ROOT / program if "/" in program else program)
    assert found, f"{line}: no {program}"


def test_the_verdict_shown_keeps_to_its_size_and_words() -> None:
    (text,) = (text for kind, text in BLOCKS if kind == "json")
    verdict = json.loads(text)
    assert len(text.strip().encode()) <= 256
    assert text.strip() == json.dumps(verdict, separators=(",", ":"))
    assert verdict["word"] in BY_VERDICT


def test_exit_codes_are_those_of_the_program() -> None:
    (codes,) = re.findall(r"^\| code \|(.*)\|$", README, flags=re.MULTILINE)
    assert [int(code) for code in codes.split("|")] == sorted(Exit)


def test_links_lead_somewhere() -> None:
    targets = re.findall(r"\]\(([^)]+)\)", README)
    assert targets
    assert [target for target in targets if not (ROOT / target).exists()] == []
