"""The core in C by itself: its unit tests and a fuzz target with sanitizers, lint, and what it takes of the
microcontroller's memory. What it does on the line is asked in the folder above."""

import re
import shutil
from pathlib import Path

import pytest

from tests.firmware_builds import FIRMWARE, elf, folder, make, try_make

FLASH, RAM = 32768, 2048
"""What an ATmega328P has, bytes; its data sheet's first page."""
STACK = 256
"""Kept free for the stack, bytes. In the emulator it goes no deeper than some 220, interrupts included; see
tests/emulator/test_edges.py, where the margin is measured."""
BREAKS = {
    "no lease": ("now - g->lease_since >= g->lease_ticks", "false"),
    "a trip without power off": ("g->on = false;\n    return true;", "g->on = false;\n    return false;"),
    "open inputs": ("return open & FLUID_LEVEL ? TRIP_FLUID : NO_TRIP;", "return NO_TRIP;"),
    "one scan for a median": ("return c < low ? low : c > high ? high : c;", "return low > high ? c : a;"),
}
"""What a careless hand might do to the guard: this becomes that."""


def test_unit_tests_pass_with_sanitizers() -> None:
    told = re.search(r"(\d+) checks, 0 failed", make(FIRMWARE, "check", BUILD=folder()))
    assert told is not None
    assert int(told[1]) > 10_000


def test_nothing_random_breaks_the_contract() -> None:
    told = make(FIRMWARE, "fuzz", BUILD=folder(), FUZZ_RUNS=3000, FUZZ_SECONDS=5)
    assert "3000 runs" in told


@pytest.mark.parametrize("broken", BREAKS)
def test_a_broken_guard_is_found(broken: str, tmp_path: Path) -> None:
    """By the unit tests and by the fuzz target's judge, each alone."""
    copy = shutil.copytree(FIRMWARE, tmp_path / "firmware", ignore=shutil.ignore_patterns("build"))
    guard = copy / "core" / "guard.c"
    source, (good, bad) = guard.read_text(), BREAKS[broken]
    assert source.count(good) == 1
    guard.write_text(source.replace(good, bad))
    for target in ("check", "fuzz-driven"):
        assert try_make(copy, f"BUILD={tmp_path}", f"{tmp_path}/{target}", CFLAGS="-O0").returncode == 0
        assert try_make(copy, target, BUILD=tmp_path, FUZZ_RUNS=3000).returncode, target


def test_lint_finds_nothing() -> None:
    make(FIRMWARE, "lint", BUILD=folder())


def test_it_fits_the_microcontroller() -> None:
    """With room to grow: half the flash, and the stack's part of RAM."""
    elf()
    told = re.search(r"flash (\d+) of (\d+) bytes, RAM (\d+) of (\d+) bytes", make(FIRMWARE, "size", BUILD=folder()))
    assert told is not None
    flash, flash_there, ram, ram_there = map(int, told.groups())
    assert (flash_there, ram_there) == (FLASH, RAM)
    assert 4096 < flash <= FLASH // 2
    assert 1024 < ram <= RAM - STACK
