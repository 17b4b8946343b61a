"""What lets a person read what is closed to him: the group that may, where there is one."""

import grp
import os
import pwd
from pathlib import Path

_GROUP_READS = 0o040


def opened_by(path: Path) -> str:
    """What to do about a path that this user may not read."""
    closed = next((place for place in (*reversed(path.absolute().parents), path) if not _may(place)), path)
    user, group = _name(os.geteuid()), _group_of(closed)
    if group is None:
        return f"ask whoever owns {closed} to open it to {user}"
    return f"have {user} put into the group {group} (sudo usermod -aG {group} {user}), then log in again"


def _may(place: Path) -> bool:
    try:
        return os.access(place, os.R_OK | os.X_OK if place.is_dir() else os.R_OK)
    except PermissionError:
        return False


def _group_of(place: Path) -> str | None:
    """The group that may read a path, if another than its owner's own may."""
    try:
        about = place.stat()
        return grp.getgrgid(about.st_gid).gr_name if about.st_mode & _GROUP_READS and about.st_gid else None
    except (OSError, KeyError):
        return None


def _name(user: int) -> str:
    try:
        return pwd.getpwuid(user).pw_name
    except KeyError:
        return f"user {user}"
