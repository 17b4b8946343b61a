"""A firmware in a process of its own, fed span by span over its standard input and output in virtual time.

Binary, little endian. The simulator is in charge: the program reads no clock and never runs ahead.

    program, once at start      'S' · u8 version
    simulator: a span           'A' · u32 microseconds · u8 n · n × f32 volts at the converter's pins · u8 inputs ·
                                u16 n · n × u32 ns of rising edges · u16 n · n × f32 volts of the wide shunt's pin,
                                sample k at (k + 1) / n · u16 n · bytes from the host
    simulator: a reset          'R' · u8 cause
    program, to each 'A'        'T' · u16 n · bytes to the host · u8 power · u32 ns at which it last fell · u16 valve ·
                                u8 whether the wide shunt was converted
"""

import os
import select
import shlex
import signal
import struct
import subprocess
import tempfile
import weakref
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from typing import IO

from simulator.errors import ProgramError

VERSION = 1
WAIT = 10.0
"""Wall seconds in which a program has to begin and to answer; a span takes it some milliseconds."""
END_WITHIN = 2.0
"""Wall seconds in which it has to end once its input has ended."""
NOT_FALLEN = 0xFFFFFFFF
NO_VALVE = 65_535
_ANSWER = struct.Struct("<BIHB")


@dataclass(frozen=True, slots=True)
class Span:
    """What a program is given: `edges` in ns after the span's start, ascending; `fine` as the module says."""

    microseconds: int
    volts: Sequence[float]
    inputs: int
    edges: Sequence[int]
    fine: Sequence[float]
    received: bytes

    def encode(self) -> bytes:
        return b"".join(
            (
                struct.pack(
                    f"<cIB{len(self.volts)}fB", b"A", self.microseconds, len(self.volts), *self.volts, self.inputs
                ),
                struct.pack(f"<H{len(self.edges)}I", len(self.edges), *self.edges),
                struct.pack(f"<H{len(self.fine)}f", len(self.fine), *self.fine),
                struct.pack("<H", len(self.received)),
                self.received,
            )
        )


@dataclass(frozen=True, slots=True)
class Answer:
    """What came of a span. `fell` (ns) is when the power pin last fell in it, None if it did not; `valve` is 0 shut to
    10 000 open, None while nothing was commanded; `fine` tells that the wide shunt was converted."""

    sent: bytes
    power: bool
    fell: int | None
    valve: int | None
    fine: bool


class Program:
    """The running program. `close` ends it, and so does dropping this object or the end of our process, which ends its
    input.

    Every method raises ProgramError where the program cannot be started, dies, says what nobody understands, or stops
    answering; it has been ended then.
    """

    def __init__(self, command: str | Sequence[str]) -> None:
        argv = _split(command) if isinstance(command, str) else list(command)
        self.name = shlex.join(argv)
        self._words: IO[bytes] = tempfile.TemporaryFile()  # noqa: SIM115
        self._rest = bytearray()
        self._process = self._start(argv)
        self._end = weakref.finalize(self, _end, self._process, self._words)
        self._greet()

    def _start(self, argv: list[str]) -> "subprocess.Popen[bytes]":
        if not argv:
            self._words.close()
            raise ProgramError("firmware program: expected its path and arguments, found nothing")
        try:
            # A session of its own: Ctrl-C at our terminal is ours to handle, the program ends with its input.
            return subprocess.Popen(
                argv,
                bufsize=0,
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=self._words,
                start_new_session=True,
            )
        except OSError as error:
            self._words.close()
            raise ProgramError(
                f"firmware program {self.name}: cannot be started ({error.strerror}); expected a program that was "
                "built for the simulator's coupling, and its path"
            ) from error

    @property
    def pid(self) -> int:
        return self._process.pid

    def _greet(self) -> None:
        found = self._read(2)
        if found != bytes((ord("S"), VERSION)):
            raise self._failed(f"it began with {found.hex(' ')}, expected 'S' and version {VERSION}; build it anew")

    def run(self, span: Span) -> Answer:
        """Lets it live through a span."""
        self._write(span.encode())
        kind, n = struct.unpack("<cH", self._read(3))
        if kind != b"T":
            raise self._failed(f"it answered a span with {kind!r}, expected 'T'; its coupling has another version")
        sent = self._read(n)
        power, fell, valve, fine = _ANSWER.unpack(self._read(_ANSWER.size))
        return Answer(
            sent, bool(power), None if fell == NOT_FALLEN else fell, None if valve == NO_VALVE else valve, bool(fine)
        )

    def reset(self, cause: int) -> None:
        """Resets the microcontroller; time goes on with the next span."""
        self._write(bytes((ord("R"), cause)))

    def close(self) -> None:
        """Ends its input and waits for it; one that goes on is killed."""
        self._end()

    def _write(self, data: bytes) -> None:
        assert self._process.stdin is not None
        left = memoryview(data)
        try:
            while left:
                left = left[self._process.stdin.write(left) :]
        except OSError as error:
            raise self._failed("it has ended") from error
        except ValueError as error:
            raise ProgramError(f"firmware program {self.name}: used after close(); start it again") from error

    def _read(self, n: int) -> bytes:
        """Exactly so many bytes."""
        assert self._process.stdout is not None
        out = self._process.stdout.fileno()
        while len(self._rest) < n:
            if not select.select([out], [], [], WAIT)[0]:
                raise self._failed(f"no answer within {WAIT:g} s: it hangs")
            data = os.read(out, 65_536)
            if not data:
                raise self._failed("it has ended")
            self._rest += data
        found = bytes(self._rest[:n])
        del self._rest[:n]
        return found

    def _failed(self, what: str) -> ProgramError:
        """Ends the program; the error says how it ended, and its own last words."""
        _stop(self._process)
        self._words.seek(0)
        words = self._words.read().decode(errors="replace").strip().splitlines()
        self._end()
        last = f"; it said: {' / '.join(words[-3:])}" if words else ""
        return ProgramError(f"firmware program {self.name}: {what} ({_how(self._process.returncode)}){last}")


def _split(command: str) -> list[str]:
    try:
        return shlex.split(command)
    except ValueError as error:
        raise ProgramError(f"firmware program {command!r}: {error}; quote it as a shell would want it") from error


def _how(code: int) -> str:
    return f"killed by {signal.Signals(-code).name}" if code < 0 else f"exit code {code}"


def _end(process: "subprocess.Popen[bytes]", words: IO[bytes]) -> None:
    _stop(process)
    words.close()


def _stop(process: "subprocess.Popen[bytes]") -> None:
    if process.stdin is not None:
        with suppress(OSError):
            process.stdin.close()
    try:
        process.wait(END_WITHIN)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()
    if process.stdout is not None:
        process.stdout.close()
