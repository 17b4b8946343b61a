"""A firmware in a process of its own, fed span by span over its standard input and output."""

import struct
import subprocess
from collections.abc import Sequence

from tests.firmware.face import Span, Told

VERSION = 1
DID_NOT_FALL = 0xFFFF_FFFF
NO_VALVE = 0xFFFF
_TOLD = struct.Struct("<BIHB")


class CoupledDevice:
    """A program that speaks the coupling: 'A' gives it a span to live through, 'T' tells what it did."""

    def __init__(self, command: Sequence[str]) -> None:
        self._command = list(command)
        self._process = subprocess.Popen(self._command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, bufsize=0)
        hello = self._read(2)
        assert hello == b"S" + bytes([VERSION]), f"{self._command[0]} began with {hello!r}"

    def live(self, span: Span) -> Told:
        edges, volts = span.edges, span.volts
        self._write(
            struct.pack(f"<cIB{len(volts)}f", b"A", span.us, len(volts), *volts)
            + struct.pack(f"<BH{len(edges)}I", span.inputs, len(edges), *edges)
            + struct.pack("<HH", 0, len(span.received))
            + span.received
        )
        head = self._read(3)
        assert head[:1] == b"T", f"{self._command[0]} answered {head!r}"
        sent = self._read(int.from_bytes(head[1:], "little"))
        power, fell, valve, _ = _TOLD.unpack(self._read(_TOLD.size))
        return Told(sent, bool(power), None if fell == DID_NOT_FALL else fell, None if valve == NO_VALVE else valve)

    def reset(self, cause: int) -> None:
        self._write(b"R" + bytes([cause]))

    def close(self) -> None:
        """Its standard input ends, and so it does; if not, it is made to."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.close()
        try:
            self._process.wait(5)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait(5)
        self._process.stdout.close()

    def _write(self, data: bytes) -> None:
        assert self._process.stdin is not None
        view = memoryview(data)
        while view:
            view = view[self._process.stdin.write(view) :]

    def _read(self, n: int) -> bytes:
        assert self._process.stdout is not None
        out = bytearray()
        while len(out) < n:
            part: bytes = self._process.stdout.read(n - len(out))
            assert part, f"{' '.join(self._command)} ended with exit code {self._process.wait(5)}"
            out += part
        return bytes(out)
