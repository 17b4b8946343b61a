"""A run's trace: quantities over time in a Parquet file beside the database, written by a child process.

The child keeps pyarrow out of the daemon's memory. Reading back is in `daq.record.parquet`.
"""

import io
import json
import os
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from daq.record.errors import TraceError

_TIMEOUT_S = 60.0


@dataclass(frozen=True, slots=True)
class TraceFile:
    """A file that was written: its name without folder, its length and the SHA-256 of its bytes in hexadecimal."""

    file: str
    bytes: int
    sha256: str


def write_trace(
    path: Path, columns: dict[str, NDArray[Any]], units: dict[str, str], about: dict[str, str] | None = None
) -> TraceFile:
    """Writes columns of one length, with a unit for each, and `about` (run, part and the like) as the file's metadata.

    The file appears under its name only when it is whole and on the disk. Blocks for about a second: not for the loop.

    Raises:
        TraceError: columns and units don't fit each other, or the file could not be written.
    """
    _check(path, columns, units)
    header = json.dumps({"path": str(path), "units": units, "about": about or {}, "parent": os.getpid()}).encode()
    arrays = io.BytesIO()
    named: dict[str, Any] = {f"c_{name}": values for name, values in columns.items()}
    np.savez(arrays, **named)
    said = _run_writer(path, header + b"\n" + arrays.getbuffer())
    try:
        return TraceFile(**json.loads(said))
    except (ValueError, TypeError) as error:
        raise TraceError(f"trace {path}: expected the writer to name the file it wrote, it said {said!r}") from error


def _check(path: Path, columns: dict[str, NDArray[Any]], units: dict[str, str]) -> None:
    if set(columns) != set(units):
        odd = ", ".join(sorted(set(columns) ^ set(units)))
        raise TraceError(f"trace {path}: every column needs a unit and every unit a column; these don't match: {odd}")
    if odd_types := [name for name, values in columns.items() if values.dtype.kind not in "iufb"]:
        raise TraceError(f"trace {path}: expected columns of numbers; these are none: {', '.join(odd_types)}")
    shapes = {name: values.shape for name, values in columns.items()}
    if len(set(shapes.values())) != 1 or any(len(shape) != 1 for shape in shapes.values()):
        raise TraceError(f"trace {path}: expected columns of one dimension and one length, found {shapes}")


def _run_writer(path: Path, given: bytes) -> str:
    command = [sys.executable, "-P", "-m", "daq.record.trace_writer"]
    try:
        # A session of its own: a Ctrl-C in the terminal is meant for us, and what it ends still gets its trace.
        done = subprocess.run(
            command, input=given, capture_output=True, timeout=_TIMEOUT_S, check=False, start_new_session=True
        )
    except (OSError, subprocess.TimeoutExpired) as error:
        raise TraceError(f"trace {path}: the writer could not be run: {error}") from error
    if done.returncode != 0:
        said = done.stderr.decode(errors="replace").strip().splitlines()[-1:] or [f"exit code {done.returncode}"]
        raise TraceError(f"trace {path}: it was not written: {said[0]}; check the folder's room and permissions")
    return done.stdout.decode()
