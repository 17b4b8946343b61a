"""Options that several commands share."""

from pathlib import Path
from typing import Annotated

import typer

ConfigOption = Annotated[
    Path | None,
    typer.Option(
        "--config",
        metavar="PATH",
        readable=False,
        help="Configuration directory, or a stand's file in one (default: $STEADYHEAD_CONFIG, ./config, …).",
    ),
]
JsonOption = Annotated[bool, typer.Option("--json", help="Write JSON.")]
