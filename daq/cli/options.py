"""Options that several commands share."""

from pathlib import Path
from typing import Annotated

import typer

ConfigOption = Annotated[
    Path | None,
    typer.Option("--config", metavar="DIR", help="Configuration directory (default: $STEADYHEAD_CONFIG, ./config, …)."),
]
JsonOption = Annotated[bool, typer.Option("--json", help="Write JSON.")]
