"""Recordings played through the virtual microcontroller: counts and edges, and rows that make no sense."""

from pathlib import Path

import numpy as np
import pytest

from drivers.block import Block, Event, Link, LinkChange, PulseRole, Role
from drivers.device import AddressError, open_device
from simulator.errors import RecordingError
from simulator.playback_driver import PlayedDevice
from simulator.playback_file import read_recording

HEAD = "t_s,pressure_kpa,flow_l_h"


def written(folder: Path, *rows: str) -> Path:
    path = folder / "run.csv"
    path.write_text("\n".join(rows) + "\n", encoding="utf-8")
    return path


async def played(path: Path, options: str = "pulses_per_litre=3600") -> tuple[PlayedDevice, list[Event]]:
    """The device and all of its events; with 3600 pulses a litre 1 l/h is 1 Hz."""
    device = await open_device(f"sim://{path}?{options}")
    assert isinstance(device, PlayedDevice)
    return device, [event async for event in device.events()]


def blocks(events: list[Event]) -> list[Block]:
    return [e for e in events if isinstance(e, Block)]


async def test_rows_are_held_and_flow_becomes_edges_at_exact_ticks(tmp_path: Path) -> None:
    path = written(tmp_path, HEAD, "7.0,100,90", "7.5,400,40", "8.5,800,0", "10.0,0,10", "10.5,0,10")
    device, events = await played(path)
    found = blocks(events)
    first = found[0].tick
    counts = np.concatenate([b.values[:, 0] for b in found])
    volts = counts * device.identity.analog[0].volts_per_count
    times = (np.concatenate([b.tick + 2000 * np.arange(b.n) for b in found]) - first) / 1e6
    for t, kpa in ((0.0, 100.0), (0.498, 100.0), (0.5, 400.0), (1.498, 400.0), (1.5, 800.0), (2.998, 800.0)):
        assert volts[np.searchsorted(times, t)] == pytest.approx(0.5 + kpa / 250.0, abs=0.002), t
    edges = {int(b.edges[0]): int(b.last_edge[0]) - first for b in found}
    # 45 pulses by 0.5 s, at 40 Hz from then on, nothing from 1.5 s to 3 s
    assert edges[45] == 500_000
    assert edges[85] == 1_500_000
    for n, tick in edges.items():
        expected = n / 90 if n <= 45 else 0.5 + (n - 45) / 40 if n <= 85 else 3.0 + (n - 85) / 10
        assert n == 0 or abs(tick - 1e6 * expected) <= 1.0, n
    assert found[-1].edges[0] == 100  # the last row is held for 1 s, as long as most rows


async def test_the_line_ends_behind_the_last_row(tmp_path: Path) -> None:
    device, events = await played(written(tmp_path, HEAD, "0,100,60", "1,200,60", "2,300,60"))
    assert isinstance(events[-1], LinkChange)
    assert events[-1].link is Link.DOWN
    found = blocks(events)
    assert (found[-1].tick - found[0].tick) / 1e6 == pytest.approx(3.0, abs=0.05)
    assert device.simulated
    assert device.virtual


async def test_what_was_not_measured_is_not_fitted(tmp_path: Path) -> None:
    path = written(tmp_path, "t_s,voltage_v,current_a,pressure_kpa,flow_l_h", "0,,5,100,", "1,,6,200,")
    device, events = await played(path)
    identity = device.identity
    assert identity.analog_index(Role.SUPPLY_VOLTAGE) is None
    assert identity.analog_index(Role.FLUID_TEMPERATURE) is None
    assert identity.pulse_index(PulseRole.FLOW) is None
    assert [a.role for a in identity.analog] == [Role.PRESSURE, Role.SHUNT]
    assert blocks(events)
    assert all(b.edges.size == 0 and b.missing == 0 for b in blocks(events))


def test_an_empty_cell_holds_what_the_row_before_said(tmp_path: Path) -> None:
    found = read_recording(written(tmp_path, HEAD, "0,100,60", "1,,", "2,300,", "", "3,,0"))
    assert found.columns["pressure"] == [100e3, 100e3, 300e3, 300e3]
    assert found.columns["flow"] == pytest.approx([60 / 3.6e6] * 3 + [0.0])


def test_units_are_those_of_the_columns_and_other_columns_are_passed_over(tmp_path: Path) -> None:
    head = "T_ms,Pressure_bar,flow_lpm,temperature_degc,current_mA,voltage_v,level_percent,flow_goal_lpm,status"
    found = read_recording(written(tmp_path, head, "500,4,2,20,5500,13.5,50,7,filling", "600,4,2,20,5500,13.5,50,7,"))
    assert found.times == pytest.approx([0.0, 0.1])
    first = {quantity: values[0] for quantity, values in found.columns.items()}
    assert first == pytest.approx(
        {"pressure": 4e5, "flow": 2e-3 / 60, "temperature": 293.15, "current": 5.5, "voltage": 13.5, "level": 0.5}
    )


@pytest.mark.parametrize(
    ("rows", "said"),
    [
        ((HEAD, "0,100,60", "1,x,60"), r"line 3, pressure_kpa: expected a number or nothing, found 'x'"),
        ((HEAD, "0,100,60", "1,nan,60"), r"line 3, pressure_kpa: expected a number or nothing, found 'nan'"),
        ((HEAD, "0,100,60", "1,100"), r"line 3: expected 3 cells, as in line 1, found 2"),
        ((HEAD, "5,100,60", "4,100,60"), r"line 3: expected a time later than 5 s, found '4'"),
        ((HEAD, "5,100,60", ",100,60"), r"line 3: expected a time later than 5 s, found ''"),
        ((HEAD, "0,100,", "1,100,60"), r"line 2: expected a first value of flow, found nothing to hold"),
        ((HEAD, "0,100,60"), "expected two rows or more, found 1"),
        (
            ("t_s,pressure_furlong", "0,1", "1,1"),
            r"column 'pressure_furlong': expected pressure_pa, .* or pressure_bar",
        ),
        (("t_s,flow", "0,1", "1,1"), r"column 'flow': expected flow_m3_s, .* or flow_ml_s"),
        (("t_s,flow_l_x", "0,1", "1,1"), r"column 'flow_l_x': expected flow_m3_s"),
        (
            ("t_s,flow_l_h,flow_lpm", "0,1,1", "1,1,1"),
            r"column 'flow_lpm': expected one column of flow, found 'flow_l_h'",
        ),
        (("pressure_kpa", "1", "1"), r"line 1: expected a column t_s or t_ms, found pressure_kpa"),
        (("t_s,mood", "0,1", "1,1"), "expected a column such as pressure_kpa with values in it, found none"),
        (("",), r"line 1: expected a column t_s or t_ms, found nothing"),
    ],
)
def test_what_makes_no_sense_is_named_with_its_place(tmp_path: Path, rows: tuple[str, ...], said: str) -> None:
    with pytest.raises(RecordingError, match=said):
        read_recording(written(tmp_path, *rows))


def test_a_file_that_is_not_text_is_named(tmp_path: Path) -> None:
    path = tmp_path / "run.csv"
    path.write_bytes(b"t_s,pressure_kpa\n0,\xff\xfe\n")
    with pytest.raises(RecordingError, match=r"run\.csv: expected a recording as CSV in UTF-8"):
        read_recording(path)


@pytest.mark.parametrize(
    ("options", "said"),
    [
        ("sed=1", "unknown option 'sed'; expected: faults, pace, pulses_per_litre, scenario, seed"),
        ("pulses_per_litre=0", "pulses_per_litre of 0.0: expected a number above 0"),
        ("scenario=dept", "scenario 'dept'"),
        ("pace=0", "pace of 0"),
    ],
)
async def test_addresses_that_make_no_sense(tmp_path: Path, options: str, said: str) -> None:
    path = written(tmp_path, HEAD, "0,100,60", "1,100,60")
    with pytest.raises(AddressError, match=said):
        await open_device(f"sim://{path}?{options}")


async def test_a_recording_that_is_not_there_is_told(tmp_path: Path) -> None:
    with pytest.raises(AddressError, match=r"absent\.csv: expected a recording as CSV"):
        await open_device(f"sim://{tmp_path}/absent.csv")


async def test_the_meters_own_table_turns_flow_into_edges(tmp_path: Path) -> None:
    device, events = await played(written(tmp_path, HEAD, "0,100,120", "10,100,120"), "scenario=depot")
    found = blocks(events)
    rate = (found[200].edges[0] - found[100].edges[0]) / (found[200].last_edge[0] - found[100].last_edge[0]) * 1e6
    assert rate == pytest.approx(120 / 3600 * device.rig.board.meter.design.k_at(rate) / 1e3, rel=1e-4)
    assert 4595e3 < device.rig.board.meter.design.k_at(rate) < 4605e3
