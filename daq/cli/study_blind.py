"""`steadyhead study blind`: how far verdicts can be trusted, found on simulated units whose truth is known."""

import sys
from collections.abc import Iterator
from typing import TYPE_CHECKING, Annotated

import typer

from daq.cli.options import ConfigOption, JsonOption
from daq.cli.output import note, put, put_json, put_table

if TYPE_CHECKING:
    from daq.study.blind import Outcome, Plan
    from daq.study.blind_tally import Tally

DEFAULT = "default: that of the configuration"


def blind(
    *,
    units: Annotated[
        int, typer.Option(min=1, help="Units to decide on; a tenth as many faulty ones come on top.")
    ] = 10_000,
    reports: Annotated[int, typer.Option(min=0, help="Units read in the mode `report`.")] = 2_000,
    seed: Annotated[
        int, typer.Option(min=0, help="The same seed gives the same numbers, with any number of jobs.")
    ] = 1,
    jobs: Annotated[int | None, typer.Option(min=1, help="Processes (default: one a processor).")] = None,
    settle: Annotated[float | None, typer.Option(min=0.1, help=f"Seconds waited after a change; {DEFAULT}.")] = None,
    window: Annotated[float | None, typer.Option(min=0.5, help=f"Seconds of the shortest window; {DEFAULT}.")] = None,
    looks: Annotated[int | None, typer.Option(min=1, max=5, help=f"Most windows looked at; {DEFAULT}.")] = None,
    scenario: Annotated[
        str, typer.Option(metavar="NAME", help="The scenario whose stand and units are taken.")
    ] = "depot",
    one_stand: Annotated[
        bool, typer.Option("--one-stand", help="All units on the configured stand (default: each on a random one).")
    ] = False,
    config: ConfigOption = None,
    json: JsonOption = False,
) -> None:
    """Test simulated units whose true values are known and lie about their limits, by the real core, and count.

    Each unit lies on a test stand of its own: its meter has 500 to 10 000 pulses per litre, its device scans 50 to
    1 000 times a second with 10 to 16 bits, its leads have up to 0.1 ohm, and the valve takes 1 to 20 s. The manual way
    is tried on the same units: a dial gauge and a float flowmeter, read once after 10 s.

    The exit code is 0 once the study has run. The last column says whether a goal is reached; where it says "too few to
    tell", give more units.
    """
    import time

    from daq.cli.config import configuration
    from daq.study.blind import Plan
    from daq.study.blind_report import as_data

    plan = Plan(
        configuration(config),
        scenario,
        seed,
        units,
        reports,
        settle=settle,
        window=window,
        looks=looks,
        drawn=not one_stand,
    )
    began = time.perf_counter()
    tally = _counted(plan, jobs)
    if json:
        put_json(as_data(plan, tally))
    else:
        _tables(tally)
    note(f"{len(plan.cases)} units in {time.perf_counter() - began:.0f} s")


def _counted(plan: "Plan", jobs: int | None) -> "Tally":
    import os

    from daq.study.blind import carry_out
    from daq.study.blind_tally import Tally

    tally = Tally()
    for outcome in _watched(carry_out(plan, jobs or os.cpu_count() or 1), len(plan.cases)):
        tally.add(outcome)
    return tally


def _watched(outcomes: "Iterator[Outcome]", total: int) -> "Iterator[Outcome]":
    """The same, with a bar for whoever waits at a terminal."""
    from rich.console import Console
    from rich.progress import track

    console = Console(stderr=True)
    yield from track(outcomes, "units", total, console=console, disable=not sys.stderr.isatty())


def _tables(tally: "Tally") -> None:
    from daq.study import blind_report as r

    tables = (
        ("Goals", r.GOAL_HEAD, r.goal_rows(tally)),
        ("Findings", r.FINDING_HEAD, r.finding_rows(tally)),
        ("Both ways, on what both look at", r.VERDICT_HEAD, r.verdict_rows(tally)),
        ("95 % intervals", r.INTERVAL_HEAD, r.interval_rows(tally)),
        ("Kinds of stand, r = 1", r.KIND_HEAD, r.kind_rows(tally)),
        ("Units with faults", r.FAULT_HEAD, r.fault_rows(tally)),
    )
    for title, head, rows in tables:
        if rows:
            put(title)
            put_table(head, rows)
    note(r.WORDS)
