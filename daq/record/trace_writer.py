"""The child that writes one trace: a line of JSON and an .npz on standard input, the file's facts on its output."""

import ctypes
import io
import json
import os
import signal
import sys
from dataclasses import asdict
from pathlib import Path

import numpy as np

from daq.record.parquet import write

_SET_DEATH_SIGNAL = 1  # PR_SET_PDEATHSIG, prctl(2)


def end_with(parent: int) -> None:
    """A daemon that is killed takes this process along: the next one makes a trace of the recording, which a late one
    must not replace. Where there is no Linux the second look alone has to do."""
    if sys.platform == "linux":
        ctypes.CDLL(None, use_errno=True).prctl(_SET_DEATH_SIGNAL, signal.SIGKILL)
    if os.getppid() != parent:  # it was killed before
        sys.exit("the daemon is gone")


def main() -> None:
    header = json.loads(sys.stdin.buffer.readline())
    end_with(header["parent"])
    with np.load(io.BytesIO(sys.stdin.buffer.read()), allow_pickle=False) as arrays:
        columns = {name.removeprefix("c_"): arrays[name] for name in arrays.files}
    try:
        written = write(Path(header["path"]), columns, header["units"], header["about"])
    except OSError as error:
        sys.exit(str(error))
    sys.stdout.write(json.dumps(asdict(written)))


if __name__ == "__main__":
    main()
