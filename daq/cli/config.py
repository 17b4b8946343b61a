"""The configuration that a command works with: what is in the files, and what its options say otherwise."""

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

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
    Path | None, typer.Option("--data", metavar="DIR", help="Where database, recordings and traces lie instead.")
]


def load(config: Path | None, device: str | None = None, data: Path | None = None) -> "tuple[StandConfig, Catalogue]":
    """Stand and catalogue.

    Raises:
        CatalogueError: with everything that is wrong in them.
    """
    from daq.catalogue.errors import CatalogueError
    from daq.catalogue.find import find_config
    from daq.catalogue.load import check, load_catalogue, load_stand

    directory = find_config(config)
    if problems := check(directory):
        raise CatalogueError(problems)
    stand = load_stand(directory)
    catalogue = load_catalogue(directory, stand.stand)
    if device is not None:
        stand = replace(stand, device=device)
    if data is not None:
        from daq.record.engine import sqlite_url

        stand = replace(stand, data=data.absolute(), database=sqlite_url(data / "records.db"))
    return stand, catalogue
