"""`steadyhead parts`: the catalogue, checked and shown."""

from typing import TYPE_CHECKING, Annotated

import typer

from daq.cli.exits import Exit
from daq.cli.options import ConfigOption, JsonOption
from daq.cli.output import complain, note, put, put_json, put_pairs, put_table

if TYPE_CHECKING:
    from daq.catalogue.load import Catalogue, Entry
    from daq.judge.requirement import Requirement
    from daq.procedure.plan import Part

app = typer.Typer(no_args_is_help=True, add_completion=False, help="Check, list and show the catalogue of parts.")


@app.command()
def check(config: ConfigOption = None, json: JsonOption = False) -> None:
    """Check stand, parts and cautions, and name every mistake at once."""
    from dataclasses import asdict

    from daq.catalogue.load import check as check_all
    from daq.catalogue.load import respelled
    from daq.cli.config import configuration

    directory = configuration(config)
    problems = check_all(directory)
    for line in respelled(directory):
        complain(line)
    if json:
        put_json([asdict(problem) for problem in problems])
    for problem in [] if json else problems:
        put(str(problem))
    if problems:
        complain(f"{len(problems)} mistake{'s' if len(problems) > 1 else ''} in {directory}")
        raise typer.Exit(Exit.USAGE)
    note(f"{directory}: no mistakes")


@app.command(name="list")
def list_(config: ConfigOption = None, json: JsonOption = False) -> None:
    """List the parts."""
    catalogue = _load(config)
    head = ("part", "revision", "kind", "description")
    rows = [(e.part.number, e.part.revision, e.part.kind.value, e.part.description) for e in catalogue]
    if json:
        put_json([dict(zip(head, row, strict=True)) for row in rows])
    else:
        put_table(head, rows)


@app.command()
def show(
    number: Annotated[str, typer.Argument(metavar="PART", help="Part number.")],
    config: ConfigOption = None,
    json: JsonOption = False,
) -> None:
    """Show a part and what is required of it."""
    entry = _load(config).entry(number)
    part = entry.part
    if json:
        put_json({"digest": part.digest, "file": str(entry.path)} | entry.body)
        return
    put_pairs(_facts(entry))
    put_table(
        ("requirement", "stage", "quantity", "at least", "at most", "guard"),
        [_row(requirement) for requirement in part.requirements],
    )


def _load(config: ConfigOption) -> "Catalogue":
    from daq.catalogue.load import load_catalogue, load_stand
    from daq.cli.config import configuration

    directory = configuration(config)
    return load_catalogue(directory, load_stand(directory).stand)


def _facts(entry: "Entry") -> list[tuple[str, object]]:
    from daq.catalogue.units import TEMPERATURE, TIME, VOLTAGE
    from daq.catalogue.units import show as shown

    part: Part = entry.part
    low, high = shown(part.temperature_low, TEMPERATURE), shown(part.temperature_high, TEMPERATURE)
    facts: list[tuple[str, object]] = [
        ("part", part.number),
        ("description", part.description),
        ("kind", part.kind.value),
        ("principle", part.principle.value),
        ("test voltage", f"{shown(part.test_voltage, VOLTAGE)} ± {shown(part.voltage_tolerance, VOLTAGE)}"),
        ("fluid", f"{part.fluid}, {low} to {high}"),
        ("dry check", None if part.dry_check_s is None else f"at most {shown(part.dry_check_s, TIME)}"),
        ("shutoff", f"at most {shown(part.shutoff_limit_s, TIME)}"),
        ("revision", part.revision),
        ("SHA-256", part.digest),
        ("file", entry.path),
    ]
    return [(name, value) for name, value in facts if value is not None]


def _row(requirement: "Requirement") -> tuple[object, ...]:
    from daq.catalogue.quantities import DIMENSIONS
    from daq.catalogue.units import show as shown

    limits = (requirement.at_least, requirement.at_most)
    dimension = DIMENSIONS[requirement.quantity]
    texts = [None if limit is None else shown(limit, dimension) for limit in limits]
    return (requirement.name, _where(requirement), requirement.quantity.value, *texts, f"{requirement.guard:g}")


def _where(requirement: "Requirement") -> str:
    """The stage, and the place or time in it."""
    from daq.catalogue.units import FLOW, PRESSURE, TIME
    from daq.catalogue.units import show as shown

    if requirement.after is not None:
        return f"{requirement.stage}, after {shown(requirement.after, TIME)}"
    if requirement.at is not None:
        dimension = FLOW if requirement.place == "flow" else PRESSURE
        return f"{requirement.stage}, at {shown(requirement.at, dimension)}"
    return requirement.stage
