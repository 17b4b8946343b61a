"""The configuration that a command works with: what is in the files, and what its options say otherwise.

An example is told as one by whatever uses it, and no command that judges takes a real device beside it.
"""

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from daq.cli.output import complain

if TYPE_CHECKING:
    from daq.catalogue.load import Catalogue
    from daq.catalogue.stand_file import StandConfig

DeviceOption = Annotated[
    str | None,
    typer.Option(
        "--device", metavar="ADDRESS", help="serial:///dev/…, tcp://…, sim://… or replay://… (default: config)."
    ),
]
DataOption = Annotated[
    Path | None,
    typer.Option("--data", metavar="DIR", readable=False, help="Where database, recordings and traces lie instead."),
]


TO_DO = (
    "copy the folder to /etc/steadyhead, describe your own stand and parts there, and take the line `example` out; or "
    "try this one with a simulated device, such as --device sim://depot/good-pump"
)


def configuration(config: Path | None) -> Path:
    """The configuration that is named or found; says so where it is an example.

    Raises:
        CatalogueError: there is none.
    """
    from daq.catalogue.find import find_config

    directory = find_config(config)
    tell_example(directory)
    return directory


def tell_example(directory: Path) -> None:
    from daq.catalogue.find import stand_file
    from daq.catalogue.source import Source, open_source

    source = open_source(stand_file(directory))
    if isinstance(source, Source) and source.tables.get("example") is True:
        complain(f"{source.path}: an example; its stand, certificates and parts are invented")


def refuse_real(stand: "StandConfig", device: str) -> None:
    """Refuses a device that may be real beside a stand that is not.

    Raises:
        CatalogueError: so it is.
    """
    from daq.catalogue.errors import CatalogueError, Problem

    if stand.example and _may_be_real(device):
        raise CatalogueError([Problem(str(stand.path), "example", "a simulated device", repr(device), TO_DO)])


def _may_be_real(device: str) -> bool:
    """Pseudo-terminals and loopback are where `steadyhead simulate` serves; what is no address is refused elsewhere."""
    from daq.stand.daemon import NOT_HARDWARE
    from drivers.device import Address

    scheme, place = Address.parse(device).scheme, Address.parse(device).place
    if scheme == "tcp":
        return place.rpartition(":")[0] not in ("127.0.0.1", "localhost", "[::1]")
    return scheme not in NOT_HARDWARE and not Path(place).resolve().is_relative_to("/dev/pts")


def load(config: Path | None, device: str | None = None, data: Path | None = None) -> "tuple[StandConfig, Catalogue]":
    """Stand and catalogue.

    Raises:
        CatalogueError: with everything that is wrong in them; or they are an example, and the device may be real.
    """
    from daq.catalogue.errors import CatalogueError
    from daq.catalogue.load import check, load_catalogue, load_stand

    directory = configuration(config)
    if problems := check(directory):
        raise CatalogueError(problems)
    stand = load_stand(directory)
    catalogue = load_catalogue(directory, stand.stand)
    if device is not None:
        stand = replace(stand, device=device)
    refuse_real(stand, stand.device)
    if data is not None:
        from daq.record.engine import sqlite_url

        stand = replace(stand, data=data.absolute(), database=sqlite_url(data / "records.db"))
    return stand, catalogue
