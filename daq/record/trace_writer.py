"""The child that writes one trace: a line of JSON and an .npz on standard input, the file's facts on its output."""

import io
import json
import sys
from dataclasses import asdict
from pathlib import Path

import numpy as np

from daq.record.parquet import write


def main() -> None:
    header = json.loads(sys.stdin.buffer.readline())
    with np.load(io.BytesIO(sys.stdin.buffer.read()), allow_pickle=False) as arrays:
        columns = {name.removeprefix("c_"): arrays[name] for name in arrays.files}
    try:
        written = write(Path(header["path"]), columns, header["units"], header["about"])
    except OSError as error:
        sys.exit(str(error))
    sys.stdout.write(json.dumps(asdict(written)))


if __name__ == "__main__":
    main()
