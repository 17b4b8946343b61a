"""Parquet files of traces. Imports pyarrow, so not for the daemon: see `daq.record.trace`."""

import hashlib
import os
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from numpy.typing import NDArray

from daq.record.errors import TraceError
from daq.record.trace import TraceFile
from drivers.recording import sync_folder

_UNIT = b"unit"


@dataclass(frozen=True, slots=True, eq=False)
class Trace:
    """A trace as read: columns in the file's order, a unit for each, and what the file says about itself."""

    columns: dict[str, NDArray[Any]]
    units: dict[str, str]
    about: dict[str, str]


def write(path: Path, columns: dict[str, NDArray[Any]], units: dict[str, str], about: dict[str, str]) -> TraceFile:
    """Writes aside, brings it to the disk, then gives it its name.

    Raises:
        OSError: the folder or the disk does not take it; nothing is left behind under the file's name.
    """
    fields = [
        pa.field(name, pa.from_numpy_dtype(v.dtype), metadata={_UNIT: units[name]}) for name, v in columns.items()
    ]
    table = pa.table(list(columns.values()), schema=pa.schema(fields, metadata=about))
    aside = path.with_name(path.name + ".tmp")
    path.parent.mkdir(parents=True, exist_ok=True)
    try:
        _write_table(table, aside)
        content = aside.read_bytes()
        aside.replace(path)
    except OSError:
        aside.unlink(missing_ok=True)
        raise
    sync_folder(path.parent)
    return TraceFile(path.name, len(content), hashlib.sha256(content).hexdigest())


def read_trace(path: Path) -> Trace:
    """Reads a trace back.

    Raises:
        TraceError: the file is not there or is no trace.
    """
    try:
        table = pq.read_table(path)
    except (OSError, pa.ArrowException) as error:
        raise TraceError(f"trace {path}: it cannot be read: {error}") from error
    columns = {name: table.column(name).to_numpy() for name in table.column_names}
    units = {field.name: (field.metadata or {}).get(_UNIT, b"").decode() for field in table.schema}
    known = {k.decode(): v.decode() for k, v in (table.schema.metadata or {}).items()}
    return Trace(columns, units, {k: v for k, v in known.items() if not k.startswith("ARROW:")})


def _write_table(table: Any, path: Path) -> None:
    # Byte planes before the compressor: neighbouring samples share their high bytes, noise stays in the low ones.
    planes = [f.name for f in table.schema if np.issubdtype(f.type.to_pandas_dtype(), np.floating)]
    with path.open("wb") as file:
        pq.write_table(
            table, file, compression="zstd", compression_level=1, use_dictionary=False, use_byte_stream_split=planes
        )
        file.flush()
        os.fsync(file.fileno())
