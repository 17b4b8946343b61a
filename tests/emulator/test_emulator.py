"""The emulator by itself, with a program that tells what it sees at its pins: what goes in is what is seen."""

import json
import struct
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from simulator.coupling import Answer, Program, Span
from simulator.errors import ProgramError
from tests import firmware_builds

MS2 = 2000
NONE = (0.0,) * 6


@pytest.fixture(scope="module")
def probe(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The program, built."""
    firmware_builds.emulator()  # which fails where a package is missing
    elf = tmp_path_factory.mktemp("probe") / "probe.elf"
    source = firmware_builds.EMULATOR / "probe.c"
    command = ["avr-gcc", "-mmcu=atmega328p", "-std=gnu11", "-Os", "-Wall", "-Wextra", "-Werror", "-o", elf, source]
    subprocess.run(command, check=True)
    return elf


class Bench:
    """The probe under power, asked span by span."""

    def __init__(self, probe: Path, report: Path) -> None:
        self.program = Program([str(firmware_builds.emulator()), "--report", str(report), str(probe)])
        self.answers: list[Answer] = []

    def live(
        self,
        spans: int = 1,
        received: bytes = b"",
        *,
        volts: tuple[float, ...] = NONE,
        inputs: int = 0,
        edges: tuple[int, ...] = (),
        fine: tuple[float, ...] = (),
    ) -> bytes:
        """What it sends in so many spans of 2 ms."""
        sent = b""
        for k in range(spans):
            given = Span(MS2, volts, inputs, edges if k == 0 else (), fine, received if k == 0 else b"")
            self.answers.append(self.program.run(given))
            sent += self.answers[-1].sent
        return sent

    @property
    def last(self) -> Answer:
        return self.answers[-1]


@pytest.fixture
def bench(probe: Path, tmp_path: Path) -> Iterator[Bench]:
    made = Bench(probe, tmp_path / "report.json")
    assert made.live(5)[:1] == b"B"
    yield made
    made.program.close()


@pytest.mark.parametrize(
    ("volts", "count"),
    [
        (0.0, 0),
        (0.00244, 0),
        (0.00245, 1),
        (1.0, 205),
        (2.5, 512),
        (4.99, 1022),
        (4.9927, 1023),
        (5.0, 1023),
        (6.0, 1023),
        (-1.0, 0),
    ],
)
def test_the_converter_is_ideal(bench: Bench, volts: float, count: int) -> None:
    """count = volts × 1024 ÷ 5 V, the first step half a count above zero and 1023 the most: as the microcontroller's
    data sheet defines an offset and a gain error of none (from memory). By hand: 1 V is 204.8, 4.99 V is 1021.95."""
    assert struct.unpack("<H", bench.live(1, b"\3", volts=(0.0, 0.0, 0.0, volts, 0.0, 0.0))) == (count,)


def test_channels_are_those_of_the_pins(bench: Bench) -> None:
    volts = tuple(0.5 * (k + 1) for k in range(6))
    found = struct.unpack("<6H", b"".join(bench.live(1, bytes([k]), volts=volts) for k in range(6)))
    assert found == tuple(round(v * 204.8) for v in volts)


def test_fine_volts_are_those_of_the_moment(bench: Bench) -> None:
    """Three bytes take 120 µs to arrive, so the third's answer is converted in the second of twenty parts of 100 µs."""
    fine = tuple(0.05 * k for k in range(20))
    assert struct.unpack("<H", bench.live(1, b"oo\5", volts=(5.0,) * 6, fine=fine)) == (round(0.05 * 204.8),)
    assert bench.last.fine
    bench.live(1, b"\0", fine=fine)
    assert not bench.last.fine


def test_closed_inputs_are_low(bench: Bench) -> None:
    """Stop circuit on PD5, guard on PD6, fluid on PD7; they stay though the firmware writes the port."""
    assert [bench.live(1, b"i", inputs=given)[0] >> 5 for given in range(8)] == [7 - given for given in range(8)]
    bench.live(1, b"p", inputs=2)
    assert bench.live(1, b"i", inputs=2)[0] >> 5 == 5


def test_edges_are_captured_to_the_half_microsecond(bench: Bench) -> None:
    """Differences of times given in ns, in ticks of 500 ns: to a tick, for the beginning of each is cut off, and half
    a one that an instruction under way may take."""
    ns = (100_000, 612_345, 1_999_000, 200, 3_300, 1_000_000)
    seen = []
    for k, at in enumerate(ns):
        bench.live(2, edges=(at,))
        count, tick = struct.unpack("<HI", bench.live(1, b"e"))
        assert count == k + 1
        seen.append(tick * 500 - (3 * k * MS2 * 1000 + at))
    assert max(seen) - min(seen) <= 750


def test_many_edges_in_a_span_and_none_is_lost_across_its_end(bench: Bench) -> None:
    bench.live(1, edges=tuple(range(50_000, 2_000_000, 100_000)))
    bench.live(1, edges=(0, 1_990_000))
    bench.live(1, edges=(10_000,))
    assert struct.unpack("<HI", bench.live(1, b"e"))[0] == 23


def test_power_is_told_with_the_time_at_which_it_fell(bench: Bench) -> None:
    bench.live(1, b"p")
    assert (bench.last.power, bench.last.fell) == (True, None)
    bench.live(1, b"o")
    assert not bench.last.power
    assert bench.last.fell is not None
    assert 40_000 <= bench.last.fell <= 45_000  # a byte's time, and what the program needs
    bench.live(1, b"po")
    assert bench.last.fell is not None
    assert not bench.last.power


def test_a_servo_pulse_is_measured(bench: Bench) -> None:
    """1.7 ms of 1 ms to 2 ms: 7 tenths open."""
    assert bench.last.valve is None
    bench.live(30, b"v")
    assert bench.last.valve == 7000


@pytest.mark.parametrize("cause", [1, 2, 4, 8])
def test_a_reset_keeps_the_memory_cuts_power_and_tells_its_cause(bench: Bench, cause: int) -> None:
    bench.live(1, b"p", inputs=5)
    assert bench.last.power
    bench.program.reset(cause)
    assert bench.live(5, inputs=5) == bytes((ord("B"), 1, cause))
    assert [a.power for a in bench.answers[-5:]] == [False] * 5
    assert bench.answers[-5].fell in range(1000)
    assert bench.live(1, b"i", inputs=5)[0] >> 5 == 2


def test_the_watchdog_bites(bench: Bench) -> None:
    bench.live(1, b"ps")
    assert bench.last.power
    assert bench.live(75) == bytes((ord("B"), 1, 8))
    assert not bench.last.power


def test_bytes_come_at_the_speed_of_the_line(bench: Bench) -> None:
    """40 µs a byte at 250 000 baud: 50 in 2 ms. The probe answers each 'i' with a byte; the rest comes after."""
    first = bench.live(1, b"i" * 80)
    assert 45 <= len(first) <= 50
    assert len(first + bench.live(2)) == 80


def test_the_report(bench: Bench, tmp_path: Path) -> None:
    bench.live(100, b"\0", edges=(1000, 2000))
    bench.program.close()
    found = json.loads((tmp_path / "report.json").read_text())
    assert found["seconds"] == pytest.approx(0.210, abs=1e-6)
    assert found["load"] < 0.05
    assert found["edges"] == 2
    assert (found["bytes_sent"], found["bytes_received"]) == (5, 1)
    assert found["ram"] == 2048 == found["variables"] + found["stack_deepest"] + found["never_used"]
    assert 10 < found["stack_deepest"] < 100


def test_what_is_no_firmware(tmp_path: Path) -> None:
    (tmp_path / "text.elf").write_text("text")
    with pytest.raises(ProgramError, match="expected an ELF file for the ATmega328P"):
        Program([str(firmware_builds.emulator()), str(tmp_path / "text.elf")])


def test_used_wrongly() -> None:
    with pytest.raises(ProgramError, match=r"usage: emulator .*FIRMWARE\.elf"):
        Program([str(firmware_builds.emulator())])
