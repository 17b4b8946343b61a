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
    config: ConfigOption = None,
    json: JsonOption = False,
) -> None:
    """Test simulated units whose true values are known and lie about their limits, by the real core, and count.

    Beside it stands the manual way on the same units: a dial gauge and a float flowmeter, read once after 10 s.

    The exit code is 0 once the study has run; whether a goal is reached stands in the last column.
    """
    import time

    from daq.catalogue.find import find_config
    from daq.study.blind import Plan
    from daq.study.blind_report import as_data

    plan = Plan(find_config(config), scenario, seed, units, reports, settle=settle, window=window, looks=looks)
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
        ("Units with faults", r.FAULT_HEAD, r.fault_rows(tally)),
    )
    for title, head, rows in tables:
        if rows:
            put(title)
            put_table(head, rows)
    note(r.WORDS)
