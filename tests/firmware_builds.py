"""Builds the reference firmware and the emulator, once a session into a folder of its own, and gives their commands.

Each command is a list of arguments: a program that speaks the simulator's coupling on standard input and output.
"""

import atexit
import os
import shlex
import shutil
import subprocess
import tempfile
from collections.abc import Mapping
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
FIRMWARE = ROOT / "deploy" / "firmware"
EMULATOR = ROOT / "tests" / "emulator"
ELF = Path("atmega328p") / "steadyhead.elf"
PACKAGES = {
    "/usr/bin/make": "make",
    "/usr/bin/gcc": "gcc",
    "/usr/bin/avr-gcc": "gcc-avr",
    "/usr/lib/avr/include/avr/io.h": "avr-libc",
    "/usr/include/simavr/sim_avr.h": "libsimavr-dev",
    "/usr/include/gelf.h": "libelf-dev",
    "/usr/bin/clang": "clang",
    "/usr/bin/clang-tidy": "clang-tidy",
    "/usr/bin/cppcheck": "cppcheck",
}
"""What is needed, and the Debian package that brings it."""


@cache
def folder() -> Path:
    """Where everything is built; gone when the session ends."""
    made = Path(tempfile.mkdtemp(prefix="firmware-"))
    atexit.register(shutil.rmtree, made, ignore_errors=True)
    return made


@cache
def host() -> list[str]:
    """The firmware as a program; it takes options behind."""
    make(FIRMWARE, "host", BUILD=folder())
    return [str(folder() / "steadyhead-firmware")]


@cache
def elf() -> Path:
    """The firmware for the microcontroller."""
    make(FIRMWARE, "avr", BUILD=folder())
    return folder() / ELF


@cache
def wrapping_elf() -> Path:
    """The same, whose tick and edge count are about to wrap when it starts."""
    build = folder() / "wrapping"
    make(FIRMWARE, "avr", BUILD=build, TICK_START="4294167296", EDGES_START="4294967284")
    return build / ELF


@cache
def emulator() -> Path:
    make(EMULATOR, OUT=folder() / "emulator")
    return folder() / "emulator" / "emulator"


def avr(report: Path | None = None) -> list[str]:
    """The microcontroller in the emulator, which writes a report at its end where that is asked for."""
    asked = [] if report is None else ["--report", str(report)]
    return [str(emulator()), *asked, str(elf())]


def wrapping_avr() -> list[str]:
    """The same, with tick and edge count about to wrap."""
    return [str(emulator()), str(wrapping_elf())]


def make(place: Path, *targets: str, **variables: object) -> str:
    """What make prints there for these targets; the test fails where a tool is missing or make fails."""
    done = try_make(place, *targets, **variables)
    if done.returncode:
        pytest.fail(f"{shlex.join(done.args)}: exit code {done.returncode}\n{done.stdout}{done.stderr}")
    return done.stdout


def try_make(place: Path, *targets: str, **variables: object) -> subprocess.CompletedProcess[str]:
    """The same, where make may fail."""
    missing = sorted(package for path, package in PACKAGES.items() if not Path(path).exists())
    if missing:
        pytest.fail(f"cannot build the firmware; on Debian: apt-get install {' '.join(missing)}")
    settings = [f"{name}={value}" for name, value in variables.items()]
    command = ["make", "-s", "-C", str(place), *targets, *settings]
    return subprocess.run(command, capture_output=True, text=True, check=False, env=_environment())


def _environment() -> Mapping[str, str]:
    """Ours, without what a make that called us would tell another one."""
    return {name: value for name, value in os.environ.items() if not name.startswith("MAKE")}
