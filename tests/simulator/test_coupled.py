"""A firmware in a program of its own, on the bench: the same as in this process, and it can be relied on to end."""

import asyncio
import gc
import os
import shlex
import sys
from collections.abc import AsyncIterator, Iterator
from dataclasses import replace
from pathlib import Path
from urllib.parse import quote

import numpy as np
import pytest

from drivers.block import Block, DeviceReset, Event, Input, Link, LinkChange, Role, Status, Trip
from drivers.device import Address, AddressError, LimitEntry, open_device
from drivers.link.codec import encode
from drivers.link.frames import CaptureRequest, Clear, Drive, Limits, Stream
from drivers.stand_link import open_serial
from simulator.bench import Bench
from simulator.coupled import CoupledFirmware
from simulator.design import Scenario
from simulator.driver import SimulatedDevice
from simulator.errors import ProgramError, SimulatorError
from simulator.rig import Rig
from simulator.serve import simulate
from tests.simulator.common import Host, depot, driven

PAPER = shlex.join([sys.executable, str(Path(__file__).with_name("paper_firmware.py"))])
ADDRESS = f"sim://depot/good-pump?firmware={quote(PAPER)}"
WIDE_OPEN = (LimitEntry(0, np.inf, -np.inf),)


@pytest.fixture
def rig() -> Iterator[Rig]:
    """Pump connected and in the fluid, on a stand that fits no input of its own."""
    found = connected(depot())
    yield found
    found.close()


def connected(scenario: Scenario, program: str = PAPER) -> Rig:
    found = Rig(scenario, "good-pump", 3, program=program)
    found.bench.connect()
    found.bench.immerse()
    return found


def scans(rig: Rig, seconds: float) -> dict[int, tuple[int, ...]]:
    """Tick of each scan streamed, and its counts."""
    host = Host(rig)
    host.send(Stream(True))
    found = {}
    for frame in host.run(seconds):
        if type(frame).__name__ == "Scans":
            rows = np.frombuffer(frame.counts, "<i2").reshape(frame.n, -1)
            found.update({frame.tick + 2000 * k: tuple(map(int, row)) for k, row in enumerate(rows)})
            found[-frame.tick] = (frame.edges[0], frame.last_edge[0])
    return found


def test_it_gives_the_counts_and_edges_that_the_same_firmware_gives_in_this_process(rig: Rig) -> None:
    """Volts travel in single precision, so a count in a thousand may fall to the other side."""
    here = connected(depot(), "")
    here.bench.switch(True)
    rig.bench.switch(True)
    expected, found = scans(here, 6.0), scans(rig, 6.0)
    both = [t for t in expected if t in found]
    assert len([t for t in both if t > 0]) > 2900
    assert all(expected[t] == found[t] for t in both if t <= 0)
    away = np.abs(np.array([np.subtract(expected[t], found[t]) for t in both if t > 0]))
    assert away.max() <= 1
    assert (away != 0).mean() < 1e-3


def test_the_pin_switches_power_and_the_signal_moves_the_valve(rig: Rig) -> None:
    host = Host(rig)
    host.send(Limits(300, 60, WIDE_OPEN))
    host.send(Drive(True, 0, 4000, 1000))
    host.run(0.9)
    assert rig.bench.powered
    assert rig.bench.moving
    began = rig.bench.time
    host.run(4.0)
    assert rig.bench.truth().travel == pytest.approx(0.4)
    assert not rig.bench.powered  # the lease ran out, 1 s after the first scan that had the DRIVE
    assert isinstance(rig.firmware, CoupledFirmware)
    assert rig.firmware.power_off_at == pytest.approx(began + 0.1, abs=0.005)
    assert [f.trip for f in host.frames if isinstance(f, Status)][-1] is Trip.LEASE


def test_hands_may_switch_and_turn_as_long_as_the_program_says_nothing_new(rig: Rig) -> None:
    rig.bench.switch(True)
    rig.bench.aim_valve(0.5, 1.0)
    Host(rig).run(1.0)
    assert rig.bench.powered
    assert rig.bench.travel == 0.5


def test_what_a_program_says_at_its_start_counts() -> None:
    rig = connected(depot(), f"{PAPER} --valve 2500")
    Host(rig).run(4.0)
    assert rig.bench.travel == 0.25
    rig.close()


def test_inputs_that_the_stand_lacks_are_bridged_and_the_others_open_and_close() -> None:
    rig = connected(driven())  # it has no level switch
    host = Host(rig)
    host.run(0.1)
    everything = Input.STOP_CIRCUIT | Input.SPLASH_GUARD | Input.FLUID_LEVEL
    assert [f.inputs for f in host.frames if isinstance(f, Status)][-1] == everything
    host.send(Limits(300, 60, WIDE_OPEN))
    host.send(Drive(True, 0, 65_535, 2000))
    host.run(0.1)
    assert rig.bench.powered
    rig.bench.open_input(Input.STOP_CIRCUIT)
    host.run(0.1)
    assert not rig.bench.powered
    assert [f.trip for f in host.frames if isinstance(f, Status)][-1] is Trip.STOP_CIRCUIT
    rig.bench.close_input(Input.STOP_CIRCUIT)
    host.send(Clear())
    host.run(0.1)
    assert [f.trip for f in host.frames if isinstance(f, Status)][-1] is Trip.NONE
    rig.close()


def test_a_capture_shows_what_scans_are_too_slow_for(rig: Rig) -> None:
    """The motor's commutation, some percent of the current, is in the fine volts; held values would be steps."""
    rig.bench.switch(True)
    host = Host(rig)
    host.run(2.0)
    host.send(CaptureRequest(1, Role.SHUNT, 20_000, 2000))
    pieces = [f for f in host.run(2.0) if type(f).__name__ == "Burst"]
    counts = np.array([c for piece in pieces for c in piece.counts])
    assert len(counts) == 2000
    later = counts[400:].reshape(-1, 40)
    assert later.std(axis=1).min() > 0.01 * (later.mean() - 41)


@pytest.mark.parametrize(
    ("fault", "channel", "count"),
    [("pressure_open", 0, 4095), ("pressure_shorted", 0, 0), ("current_open", 2, 41), ("current_saturated", 2, 4095)],
)
def test_faults_of_sensors_reach_the_pins(rig: Rig, fault: str, channel: int, count: int) -> None:
    rig.bench.add_fault(fault)
    found = scans(rig, 0.3)
    assert {counts[channel] for tick, counts in found.items() if tick > 0} == {count}


def test_a_meter_that_counts_what_is_none(rig: Rig) -> None:
    rig.bench.add_fault("flow_noisy")
    edges = [counts[0] for tick, counts in scans(rig, 5.0).items() if tick <= 0]
    assert edges[-1] == rig.bench.meter.edges > 20


def test_pins_have_the_lift_of_an_amplifier_and_a_wide_shunt_is_always_there() -> None:
    bench = Bench(depot(), "good-pump")
    bench.scan()
    pins = bench.pins()
    assert pins[Role.SHUNT] == pins[Role.SHUNT_WIDE] == pytest.approx(0.05, abs=0.01)
    assert pins[Role.PRESSURE] == pytest.approx(0.5, abs=0.02)
    assert np.mean(bench.fine_pins(np.arange(1, 41) / 40)) == pytest.approx(0.05, abs=0.01)


def test_an_inverting_amplifier_at_the_pin() -> None:
    """−1 V a count of 1 mV below its zero at 2000: 1 V in front of it stands at 1 V, 0 V at 2 V."""
    converter = replace(depot().sensors[0].converter, volts_per_count=-1e-3, zero_count=2000)
    assert converter.at_pin(1.0) == pytest.approx(1.0)
    assert converter.at_pin(0.0) == pytest.approx(2.0)


async def take(device: SimulatedDevice, seconds: float) -> list[Event]:
    found = []
    async for event in device.events():
        found.append(event)
        if device.rig.time >= seconds:
            break
    return found


async def opened(text: str) -> SimulatedDevice:
    device = await open_device(text)
    assert isinstance(device, SimulatedDevice)
    return device


def pid_of(device: SimulatedDevice) -> int:
    assert isinstance(device.rig.firmware, CoupledFirmware)
    return device.rig.firmware.program.pid


def alive(pid: int) -> bool:
    return Path(f"/proc/{pid}").exists()


async def test_by_address_with_a_reset_on_the_way_and_closed_it_has_ended() -> None:
    device = await opened(f"{ADDRESS}&faults=reset:3")
    found = await take(device, 6.0)
    assert len([e for e in found if isinstance(e, DeviceReset)]) == 1
    blocks = [e for e in found if isinstance(e, Block)]
    assert {block.boot for block in blocks} == {41, 42}
    assert all(block.missing == 0 for block in blocks)
    assert device.identity.reset_cause == 2
    pid = pid_of(device)
    assert alive(pid)
    await device.close()
    assert not alive(pid)


async def test_a_script_counts_from_the_first_scans_streamed() -> None:
    device = await opened(f"sim://scripted?script=1&firmware={quote(PAPER)}")
    await take(device, 9.0)
    await device.close()
    assert device.operator.take_confirmations() == []
    assert device.bench.plant.connected


async def test_one_that_dies_on_the_way_takes_the_line_down_and_says_why() -> None:
    device = await opened(ADDRESS)
    await take(device, 0.5)
    os.kill(pid_of(device), 9)
    last = (await take(device, 60.0))[-1]
    assert isinstance(last, LinkChange)
    assert last.link is Link.DOWN
    assert "paper_firmware.py" in last.reason
    assert ": it has ended (killed by SIGKILL)" in last.reason
    await device.close()


async def test_an_address_whose_program_is_not_there() -> None:
    with pytest.raises(AddressError, match=r"nothing-here: cannot be started"):
        await open_device("sim://depot/good-pump?firmware=nothing-here")


def test_a_rig_that_is_dropped_ends_its_program() -> None:
    rig = connected(depot())
    assert isinstance(rig.firmware, CoupledFirmware)
    pid = rig.firmware.program.pid
    del rig
    gc.collect()
    assert not alive(pid)


def test_it_has_no_identity_before_it_said_so() -> None:
    rig = connected(depot())
    with pytest.raises(SimulatorError, match="no IDENTITY yet"):
        _ = rig.firmware.identity
    rig.run()
    assert rig.firmware.identity.boot == 41
    rig.close()


async def test_served_on_a_pseudo_terminal_and_it_ends_with_the_program() -> None:
    said: asyncio.Queue[str] = asyncio.Queue()

    async def no_lines() -> AsyncIterator[str]:
        await asyncio.Event().wait()
        yield ""

    running = asyncio.create_task(
        simulate("depot", "good-pump", pace=20.0, script=False, seed=1, tcp=None, lines_in=no_lines(),
                 say=said.put_nowait, program=PAPER)
    )  # fmt: skip
    device = await open_serial(Address.parse(await said.get()))
    async for event in device.events():
        if isinstance(event, Block):
            break
    await device.close()
    child = next(iter(children()))
    os.kill(child, 9)
    with pytest.raises(ProgramError, match="killed by SIGKILL"):
        await running


def children() -> list[int]:
    """Programs that this process has started and that run."""
    own = os.getpid()
    found = []
    for entry in Path(f"/proc/{own}/task/{own}/children").read_text().split():
        if b"paper_firmware" in Path(f"/proc/{entry}/cmdline").read_bytes():
            found.append(int(entry))
    return found


def test_bytes_of_the_host_wait_for_the_next_scan(rig: Rig) -> None:
    rig.write(encode(0, Stream(True)))
    assert rig.firmware.take() == b""
