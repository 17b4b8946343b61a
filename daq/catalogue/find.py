"""Where the configuration is looked for. Imports nothing heavy: every command begins here."""

import os
import sysconfig
from collections.abc import Mapping
from pathlib import Path

from daq.catalogue.errors import CatalogueError, Problem

VARIABLE = "STEADYHEAD_CONFIG"
STAND_FILE = "stand.toml"
PARTS = "parts"


def places() -> tuple[Path, ...]:
    """Directories looked through where none is named: the one at hand, the machine's, and what was installed."""
    shipped = Path(sysconfig.get_path("data")) / "share" / "steadyhead" / "config"
    return Path("config"), Path("/etc/steadyhead"), shipped


def find_config(named: Path | None = None, environ: Mapping[str, str] = os.environ) -> Path:
    """The configuration directory: `named`, else the one in STEADYHEAD_CONFIG, else the first of `places()` there is.

    Raises:
        CatalogueError: the directory that was named holds no stand.toml, or none of the places does.
    """
    chosen = named or (Path(environ[VARIABLE]) if environ.get(VARIABLE) else None)
    looked = (chosen,) if chosen else places()
    found = next((place for place in looked if (place / STAND_FILE).is_file()), None)
    if found is None:
        where = ", ".join(str(place) for place in looked)
        do = f"name the directory with --config or {VARIABLE}"
        raise CatalogueError([Problem(where, "", f"a directory with {STAND_FILE} in it", "none", do)])
    return found
