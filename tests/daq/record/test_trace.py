"""A trace file is whole, under its name, with units; and one that fails costs no run."""

import contextlib
import hashlib
import json
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import psutil
import pytest

from daq.record.errors import TraceError
from daq.record.parquet import read_trace
from daq.record.store import Store
from daq.record.trace import write_trace
from daq.record.values import Finished
from tests.daq.record.bench import result, started

COLUMNS = {
    "time": np.arange(1000) * 0.002,
    "pressure": np.linspace(0.0, 512.3, 1000),
    "edges": np.arange(1000, dtype=np.int64) // 7,
}
UNITS = {"time": "s", "pressure": "kPa", "edges": "1"}


def test_what_was_written_is_read_back_to_the_last_bit(tmp_path: Path) -> None:
    path = tmp_path / "a folder" / "run.parquet"
    written = write_trace(path, COLUMNS, UNITS, {"run": started().run})
    content = path.read_bytes()
    assert written.file == "run.parquet"
    assert (written.bytes, written.sha256) == (len(content), hashlib.sha256(content).hexdigest())
    back = read_trace(path)
    assert list(back.columns) == list(COLUMNS)
    for name, values in COLUMNS.items():
        assert back.columns[name].dtype == values.dtype
        np.testing.assert_array_equal(back.columns[name], values)
    assert back.units == UNITS
    assert back.about == {"run": started().run}
    assert [file.name for file in path.parent.iterdir()] == ["run.parquet"]


def test_a_folder_that_takes_no_file_says_so_and_the_run_is_kept(tmp_path: Path, store: Store) -> None:
    (tmp_path / "file").write_text("in the way")
    run = started()
    store.start_run(run)
    with pytest.raises(TraceError, match=r"file/run\.parquet: it was not written: .*check the folder"):
        write_trace(tmp_path / "file" / "run.parquet", COLUMNS, UNITS)
    store.finish_run(run.run, lambda seq: Finished(result(run, seq) | {"trace": None}, []))
    assert store.run(run.run).data["verdict"] == "void"
    assert store.run(run.run).data["trace"] is None


def test_a_writer_that_cannot_be_run_says_so(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("daq.record.trace.sys.executable", str(tmp_path / "nothing"))
    with pytest.raises(TraceError, match="could not be run"):
        write_trace(tmp_path / "run.parquet", COLUMNS, UNITS)


@pytest.mark.parametrize(
    ("columns", "units", "said"),
    [
        ({"time": np.zeros(3)}, {}, "these don't match: time"),
        ({"time": np.zeros(3), "flow": np.zeros(2)}, {"time": "s", "flow": "L/h"}, "one length"),
        ({"time": np.zeros((3, 2))}, {"time": "s"}, "one dimension"),
        ({"time": np.array([None])}, {"time": "s"}, "columns of numbers"),
        ({}, {}, "one length"),
    ],
)
def test_columns_that_are_no_table_are_refused(
    tmp_path: Path, columns: dict[str, np.ndarray], units: dict[str, str], said: str
) -> None:
    with pytest.raises(TraceError, match=said):
        write_trace(tmp_path / "run.parquet", columns, units)
    assert list(tmp_path.iterdir()) == []


def test_a_file_that_is_no_trace_is_named(tmp_path: Path) -> None:
    (tmp_path / "run.parquet").write_bytes(b"postal round, monday")
    with pytest.raises(TraceError, match=r"run\.parquet: it cannot be read"):
        read_trace(tmp_path / "run.parquet")


KEPT = """
import subprocess, sys, time
child = subprocess.Popen([sys.executable, "-P", "-m", "daq.record.trace_writer"], stdin=int(sys.argv[1]))
print(child.pid, flush=True)
time.sleep(60)
"""


def test_a_writer_does_not_outlive_its_daemon(tmp_path: Path) -> None:
    """It waits for the rest of what it is to write, which here comes from somebody who lives on."""
    reads, writes = os.pipe()
    daemon = subprocess.Popen([sys.executable, "-c", KEPT, str(reads)], pass_fds=(reads,), stdout=subprocess.PIPE)
    os.close(reads)
    assert daemon.stdout is not None
    writer = psutil.Process(int(daemon.stdout.readline()))
    header = {"path": str(tmp_path / "run.parquet"), "units": {}, "about": {}, "parent": daemon.pid}
    os.write(writes, json.dumps(header).encode() + b"\n")
    daemon.kill()
    daemon.communicate()
    try:
        with contextlib.suppress(psutil.NoSuchProcess):
            writer.wait(5)
        assert not writer.is_running() or writer.status() == psutil.STATUS_ZOMBIE
    finally:
        os.close(writes)
    assert list(tmp_path.iterdir()) == []
