"""A program at the other end of the coupling: what goes in and comes out, and what it may do wrong."""

import gc
import os
import sys
from collections.abc import Callable
from contextlib import closing

import pytest

from simulator import coupling
from simulator.coupling import Answer, Program, Span
from simulator.errors import ProgramError

QUIET = Span(2000, (), 0, (), (), b"")
GREETS = "import sys,os,time;out=sys.stdout.buffer;out.write(b'S\\1');out.flush();"


def python(code: str) -> Program:
    return Program([sys.executable, "-c", code])


def gone(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return True
    return False


def test_a_span_on_the_wire() -> None:
    """Written by hand from the description: 2 ms, 0.5 V and 5 V, stop circuit and fluid, an edge at 1 ms, two fine
    samples of 1 V and 2 V, and two bytes."""
    span = Span(2000, (0.5, 5.0), 5, (1_000_000,), (1.0, 2.0), b"\x02\x41")
    assert span.encode() == bytes.fromhex(
        "41 d0070000 02 0000003f 0000a040 05 0100 40420f00 0200 0000803f 00000040 0200 0241"
    )


def test_an_answer_on_the_wire() -> None:
    """Two bytes sent, power on, it fell at 1000 ns, valve at 10 000, the wide shunt converted."""
    answer = "54 0200 aabb 01 e8030000 1027 01"
    with closing(python(GREETS + f"sys.stdin.buffer.read(16);out.write(bytes.fromhex('{answer}'));out.flush()")) as it:
        assert it.run(Span(2000, (), 0, (), (), b"\0\0\0")) == Answer(b"\xaa\xbb", True, 1000, 10_000, True)


def test_nothing_fallen_and_no_valve() -> None:
    answer = "54 0000 00 ffffffff ffff 00"
    with closing(python(GREETS + f"sys.stdin.buffer.read(13);out.write(bytes.fromhex('{answer}'));out.flush()")) as it:
        assert it.run(QUIET) == Answer(b"", False, None, None, False)


def test_it_has_ended_after_close_and_is_not_to_be_used() -> None:
    it = python(GREETS + "sys.stdin.buffer.read()")
    assert not gone(it.pid)
    it.close()
    it.close()
    assert gone(it.pid)
    with pytest.raises(ProgramError, match=r"used after close\(\)"):
        it.run(QUIET)


def test_dropped_it_ends_too() -> None:
    it = python(GREETS + "sys.stdin.buffer.read()")
    pid = it.pid
    del it
    gc.collect()
    assert gone(pid)


def test_one_that_goes_on_after_its_input_is_killed(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(coupling, "END_WITHIN", 0.05)
    it = python(GREETS + "time.sleep(60)")
    it.close()
    assert gone(it.pid)


def wrong(code: str) -> Callable[[], object]:
    return lambda: python(code)


def wrong_span(code: str) -> Callable[[], object]:
    return lambda: python(GREETS + code).run(QUIET)


@pytest.mark.parametrize(
    ("act", "says"),
    [
        (lambda: Program("./no-such-program --x"), r"no-such-program --x: cannot be started \(No such file"),
        (lambda: Program(""), "expected its path and arguments, found nothing"),
        (lambda: Program("pro'gram"), "No closing quotation"),
        (wrong("import sys;sys.stdout.write('S\\2');"), "began with 53 02, expected 'S' and version 1"),
        (wrong("import sys;sys.exit('no such core')"), r"it has ended \(exit code 1\); it said: no such core"),
        (wrong_span("os.kill(os.getpid(),9)"), r"it has ended \(killed by SIGKILL\)"),
        (wrong_span("out.write(b'X12345');out.flush();sys.stdin.read()"), "answered a span with b'X', expected 'T'"),
        (wrong_span("out.write(b'T\\2\\0a')"), r"it has ended \(exit code 0\)"),
    ],
    ids=["not there", "no name", "quotes", "version", "words", "killed", "nonsense", "cut short"],
)
def test_what_it_does_wrong_is_told(act: Callable[[], object], says: str) -> None:
    with pytest.raises(ProgramError, match=says):
        act()


def test_one_that_hangs_is_ended(monkeypatch: pytest.MonkeyPatch) -> None:
    it = python(GREETS + "sys.stdin.buffer.read()")
    monkeypatch.setattr(coupling, "WAIT", 0.05)
    with pytest.raises(ProgramError, match=r"no answer within 0\.05 s: it hangs"):
        it.run(QUIET)
    assert gone(it.pid)
