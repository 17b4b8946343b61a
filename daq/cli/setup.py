"""`steadyhead setup`: is everything there that a stand needs, what mends it if not, what its device shows, and how fast
the stand leaks. Never starts a pump."""

from dataclasses import asdict
from typing import TYPE_CHECKING, Annotated

import typer

from daq.cli.config import DataOption, DeviceOption
from daq.cli.exits import Exit
from daq.cli.options import ConfigOption, JsonOption
from daq.cli.output import put_json, put_table

if TYPE_CHECKING:
    from daq.cli.setup_checks import Outcome

app = typer.Typer(
    no_args_is_help=True, add_completion=False, help="Check what a stand needs, see its device, and how fast it leaks."
)


@app.callback()
def setup() -> None:
    """Check what a stand needs, see its device, and how fast it leaks."""


@app.command()
def check(config: ConfigOption = None, data: DataOption = None, json: JsonOption = False) -> None:
    """Check configuration, calibration, device, broker, database and disk; say what is wrong and what mends it."""
    from daq.cli.setup_checks import outcomes

    found = list(outcomes(config, data=data))
    if json:
        put_json([asdict(outcome) for outcome in found])
    else:
        put_table(("", "what", "found", "to mend it"), [_row(outcome) for outcome in found])
    if any(not o.ok for o in found if o.what == "configuration"):
        raise typer.Exit(Exit.USAGE)
    if not all(outcome.ok for outcome in found):
        raise typer.Exit(Exit.INTERNAL)


@app.command()
def database(
    config: ConfigOption = None,
    url: Annotated[
        str | None, typer.Option("--database", metavar="URL", help="Database (default: the one in stand.toml).")
    ] = None,
    data: DataOption = None,
    to: Annotated[
        str | None, typer.Option("--to", metavar="REVISION", help="An older schema revision, to go back a version.")
    ] = None,
    json: JsonOption = False,
) -> None:
    """Make the database's tables, or bring them to the revision of this version.

    A daemon does that by itself when it starts. Before going back to an older
    version, stop all daemons that use the database, and back it up.
    """
    from daq.cli.setup_database import move

    move(config, url, data, to, json=json)


@app.command()
def device(
    *,
    config: ConfigOption = None,
    device: DeviceOption = None,
    seconds: Annotated[
        float, typer.Option("--time", metavar="SECONDS", min=1.0, max=600.0, help="How long to look before it shows.")
    ] = 5.0,
    live: Annotated[bool, typer.Option("--live", help="Show it again every second, until Ctrl-C.")] = False,
    ports: Annotated[bool, typer.Option("--ports", help="List the serial ports instead; opens none.")] = False,
    watch: Annotated[bool, typer.Option("--watch", help="Wait for a port to be plugged in, and say which.")] = False,
    find: Annotated[
        bool, typer.Option("--find", help="Ask at every free port and usual rate; boards may restart from it.")
    ] = False,
    udev: Annotated[bool, typer.Option("--udev", help="Print a udev rule that names the device's port.")] = False,
    json: JsonOption = False,
) -> None:
    """Show what a connected device says: itself, live signals, inputs, outputs, link.

    Counts, volts and quantities per channel, pulses and flow, and whether a run
    could start. Where the port is not there, the ports that are. Switches nothing on.
    """
    from daq.cli import setup_device, setup_ports

    if sum((live, ports, watch, find, udev)) > 1:
        raise typer.BadParameter("expected at most one of them", param_hint="--live, --ports, --watch, --find, --udev")
    if ports or watch or find:
        ask = setup_ports.list_ports if ports else setup_ports.watch if watch else setup_ports.find
        raise typer.Exit(ask(json=json))
    if udev:
        raise typer.Exit(setup_ports.print_rule(config, device))
    raise typer.Exit(setup_device.look(config, device, seconds, live=live, json=json))


@app.command()
def leak(
    config: ConfigOption = None,
    device: DeviceOption = None,
    seconds: Annotated[
        float, typer.Option("--time", metavar="SECONDS", min=30.0, max=3600.0, help="How long to watch it.")
    ] = 120.0,
    json: JsonOption = False,
) -> None:
    """Measure how fast the stand itself loses pressure, for residual pressures.

    Blank off the line where the unit would be, pump it up by hand, shut the valve
    and leave it. Writes the lines for stand.toml; changes no file itself.
    """
    from daq.cli.setup_leak import measure

    measure(config, device, seconds, json=json)


def _row(outcome: "Outcome") -> tuple[str, str, str, str]:
    return ("ok" if outcome.ok else "WRONG", outcome.what, outcome.found, outcome.mend)
