"""Whole runs on a board that only prints: the verdicts of the stand link, and nothing passes without evidence."""

import shutil
from collections.abc import AsyncIterator, Callable
from contextlib import AbstractAsyncContextManager, asynccontextmanager
from dataclasses import replace
from pathlib import Path

import pytest

from daq.catalogue.load import Catalogue, load_stand
from daq.catalogue.stand_file import StandConfig
from daq.procedure.effects import Alarm
from daq.publish import contract as c
from daq.record.async_store import AsyncStore
from daq.stand.errors import RefusedError
from daq.stand.rejudge import in_force, rejudge
from daq.stand.said import Live, Said
from daq.stand.stand import Stand
from drivers.block import DeviceReset
from drivers.device import Address
from drivers.replay import open_replay
from tests.daq.catalogue.stated import STATED as QUANTITIES
from tests.daq.stand.bench import Bench, operating
from tests.daq.stand.conftest import CONFIG, OpenBench
from tests.daq.stand.evidence import replayed, scans
from tests.drivers.text_board import COUNTED, STATED, TextBoard, open_board

OpenBoard = Callable[..., AbstractAsyncContextManager[Bench]]


@pytest.fixture
def stated(config: StandConfig, tmp_path: Path) -> StandConfig:
    """The stand that ships, set up for a device that states quantities."""
    folder = tmp_path / "stated"
    shutil.copytree(CONFIG, folder)
    text = (folder / "stand.toml").read_text(encoding="utf-8")
    for old, new in QUANTITIES:
        assert old in text
        text = text.replace(old, new, 1)
    (folder / "stand.toml").write_text(text, encoding="utf-8")
    return replace(load_stand(folder), data=config.data, database=config.database)


@pytest.fixture
def open_text(config: StandConfig, catalogue: Catalogue) -> OpenBoard:
    @asynccontextmanager
    async def open_it(
        unit: str = "good-pump", header: str = COUNTED, every: int = 5, at: StandConfig = config
    ) -> AsyncIterator[Bench]:
        records = AsyncStore(at.database)
        await records.open()
        device = await open_board(unit, header, every)
        try:
            async with operating(Stand(at, catalogue, records), records, device) as bench:  # type: ignore[arg-type]
                yield bench
        finally:
            await records.close()

    return open_it


def board_of(bench: Bench) -> TextBoard:
    board = bench.device.board  # type: ignore[attr-defined]
    assert isinstance(board, TextBoard)
    return board


CASES = [
    ("MH-2101", "good-pump", COUNTED, 5, False),
    ("MH-2101", "weak-pump", STATED, 10, True),
    ("MH-3310", "module", STATED, 2, True),
]


@pytest.mark.parametrize(("part", "unit", "header", "every", "quantity"), CASES)
async def test_the_same_verdict_as_over_the_link(  # noqa: PLR0917  # each is a column of the cases above
    open_text: OpenBoard,
    open_bench: OpenBench,
    config: StandConfig,
    stated: StandConfig,
    part: str,
    unit: str,
    header: str,
    every: int,
    quantity: bool,
) -> None:
    at = stated if quantity else config
    async with open_text(unit, header, every, at) as bench:
        data = (await bench.test(part)).data
    async with open_bench(f"sim://depot/{unit}") as bench:
        linked = (await bench.test(part)).data
    assert (data.verdict, data.why) == (linked.verdict, linked.why)
    assert [(f.requirement, f.finding) for f in data.findings] == [(f.requirement, f.finding) for f in linked.findings]
    assert data.quality.scans_expected == data.quality.scans_received > 1000
    compare(data, linked)
    assert data.recording is not None
    assert scans(await replayed(at.data / data.recording.file)) == data.quality.scans_received
    again = await open_replay(Address.parse(f"replay://{at.data / data.recording.file}"))
    judged = await rejudge(again, in_force(again))
    assert (judged.verdict, judged.findings, judged.readings) == (data.verdict, data.findings, data.readings)


def compare(data: c.ResultData, linked: c.ResultData) -> None:
    """It is the same bench with the same sensors and their errors; the two differ by scatter, and by what a person's
    haste does to the moment of a reading."""
    others = {(r.stage, r.quantity): r for r in linked.readings if r.value is not None}
    both = [(r, others[r.stage, r.quantity]) for r in data.readings if (r.stage, r.quantity) in others and r.value]
    assert len(both) >= 10
    for ours, theirs in both:
        assert ours.value is not None
        assert theirs.value is not None
        assert ours.U is not None
        assert ours.value == pytest.approx(theirs.value, abs=ours.U), (ours, theirs)


async def test_a_pressure_that_is_no_number_in_mid_run_voids_it(open_text: OpenBoard) -> None:
    """It is broken while the valve is being shut, so that the limit on shutoff ends the run as well as it can."""
    async with open_text() as bench:
        board_of(bench).later.append((18.0, lambda board: board.broken.add("pressure [kPa]")))
        data = (await bench.test()).data
        assert (data.verdict, data.why) == ("void", "shutoff too long")
        await bench.next(Alarm, lambda alarm: alarm.code == "pressure_faulty")
        notes = {note["what"]: note["detail"] for note in await bench.events(data.run, "note")}
        assert "nan" not in notes["highest pressure"]


WHY = {
    "flow [L/h]": "no confirmation",  # nobody can tell then where the valve is
    "voltage [V]": "voltage faulty",
    "current [mA]": "current faulty",
    "temperature [K]": "temperature faulty",
}


def at_free_flow(bench: Bench, do: Callable[[TextBoard], None]) -> None:
    """Does something to the board when the pump runs in this stage."""

    def hear(said: Said) -> None:
        if isinstance(said, Live) and said.stage == "free_flow" and said.step.voltage > 10.0:
            do(board_of(bench))

    bench.hooks.append(hear)


@pytest.mark.parametrize("head", WHY)
async def test_a_channel_that_gives_nothing_is_never_read(open_text: OpenBoard, stated: StandConfig, head: str) -> None:
    async with open_text(header=STATED, at=stated) as bench:
        at_free_flow(bench, lambda board: board.broken.add(head))
        data = (await bench.test()).data
        assert (data.verdict, data.why) == ("void", WHY[head])


@pytest.mark.parametrize("head", ["voltage [V]", "current [mA]"])
async def test_a_channel_that_repeats_itself_is_found_out(open_text: OpenBoard, stated: StandConfig, head: str) -> None:
    """As over the link: the last digit of what is printed tells what a live signal would do to it."""
    async with open_text(header=STATED, at=stated) as bench:
        at_free_flow(bench, lambda board: board.frozen.setdefault(head, ""))
        data = (await bench.test()).data
        assert (data.verdict, data.why) == ("void", WHY[head])


async def test_a_board_that_restarts_in_mid_run_voids_it(open_text: OpenBoard) -> None:
    async with open_text() as bench:
        board_of(bench).later.append((16.0, TextBoard.restart))
        data = (await bench.test()).data
        assert (data.verdict, data.why, data.quality.device_resets) == ("void", "device reset", 1)
        await bench.next(Alarm, lambda alarm: alarm.code == "device_reset" and "its time ran backwards" in alarm.text)


async def test_a_board_that_is_too_slow_is_refused_with_the_reason(open_text: OpenBoard) -> None:
    async with open_text(every=20) as bench:
        alarm = await bench.next(Alarm)
        assert "25 scans a second; expected at least 40, two in each 50 ms step" in alarm.text
        with pytest.raises(RefusedError):
            await bench.begin()


async def test_a_board_without_a_pressure_is_refused_with_the_reason(open_text: OpenBoard) -> None:
    async with open_text(header="time [s], voltage [V], current [A], flow [L/h]") as bench:
        alarm = await bench.next(Alarm)
        assert "no channel for pressure: expected role 1, found roles [2, 3, 256]" in alarm.text


async def test_a_stand_that_is_set_up_for_quantities_refuses_counted_edges(
    open_text: OpenBoard, stated: StandConfig
) -> None:
    async with open_text(at=stated) as bench:
        alarm = await bench.next(Alarm)
        assert (
            "channel flow: expected a quantity, as stand.toml has it, found a pulse counter; give [channel.flow]"
            in (alarm.text)
        )
    assert not [e for e in bench.said if isinstance(e, DeviceReset)]
