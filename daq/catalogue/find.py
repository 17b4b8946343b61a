"""Where the configuration is looked for. Imports nothing heavy: every command begins here.

A configuration is a directory, or a stand's file in one: several stands may share parts and cautions.
"""

import os
import sysconfig
from collections.abc import Mapping, Sequence
from pathlib import Path

from daq.access import opened_by
from daq.catalogue.errors import CatalogueError, Problem

VARIABLE = "STEADYHEAD_CONFIG"
STAND_FILE = "stand.toml"
PARTS = "parts"


def places() -> tuple[Path, ...]:
    """Directories looked through where none is named: the one at hand, the machine's, and what was installed."""
    shipped = Path(sysconfig.get_path("data")) / "share" / "steadyhead" / "config"
    return Path("config"), Path("/etc/steadyhead"), shipped


def find_config(named: Path | None = None, environ: Mapping[str, str] = os.environ) -> Path:
    """The configuration: `named`, else the one in STEADYHEAD_CONFIG, else the first of `places()` there is.

    Raises:
        CatalogueError: what was named is no file and holds no stand.toml, or none of the places does; or the first that
            does, or may, is closed to this user.
    """
    chosen = named or (Path(environ[VARIABLE]) if environ.get(VARIABLE) else None)
    looked = (chosen,) if chosen else places()
    found = next((place for place in looked if _is_there(stand_file(place))), None)
    if found is None:
        where = ", ".join(str(place) for place in looked)
        do = f"name the directory, or a stand's file in it, with --config or {VARIABLE}"
        raise CatalogueError([Problem(where, "", f"a directory with {STAND_FILE} in it", "none", do)])
    return found


def _is_there(file: Path) -> bool:
    """A place that is closed is not passed over: what is found behind it would be another stand.

    Raises:
        CatalogueError: it is closed to this user.
    """
    try:
        file.stat()
    except PermissionError:
        raise CatalogueError([closed(file)]) from None
    except OSError:
        return False
    return file.is_file()


def closed(path: Path) -> Problem:
    """The mistake of a file or folder that this user may not read."""
    return Problem(str(path), "", "a file or folder that you may read", "permission denied", opened_by(path))


def find_configs(named: Sequence[Path], environ: Mapping[str, str] = os.environ) -> list[Path]:
    """The configurations of several stands: those `named`, else those in STEADYHEAD_CONFIG, parted as in PATH, else the
    one that `find_config` finds.

    Raises:
        CatalogueError: as `find_config` says.
    """
    chosen = named or [Path(place) for place in environ.get(VARIABLE, "").split(os.pathsep) if place]
    return [find_config(place) for place in chosen] or [find_config()]


def stand_file(config: Path) -> Path:
    """The stand's file of a configuration."""
    return config if config.suffix == ".toml" else config / STAND_FILE


def folder(config: Path) -> Path:
    """The directory of a configuration, where parts and cautions are."""
    return config.parent if config.suffix == ".toml" else config
