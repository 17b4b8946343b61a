"""A whole daemon on a driven stand with long leads whose supply can be set: the terminals have the test voltage."""

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import pytest

from daq.procedure.effects import Alarm, Noted
from tests.daq.stand.driven import DRIVEN, DrivenBench, Witness, opened, stand_file

SCENARIOS = DRIVEN.parent / "scenarios"
LEADS_MOHM = 90
VOLTS = 13.5


def scenario(folder: Path, *, settable: bool) -> Path:
    """The driven bench with other leads, and with a supply that can be set or not."""
    depot, driven = (SCENARIOS / f"{name}.toml" for name in ("depot", "driven"))
    head = driven.read_text(encoding="utf-8").replace(
        "settable_supply = false", f"settable_supply = {'true' if settable else 'false'}"
    )
    own = depot.read_text(encoding="utf-8")
    stand = own[own.index("[stand.supply]") : own.index("[sensors.converter]")]
    stand = stand.replace("volts = 13.52", f"volts = {VOLTS}").replace("lead_mohm = 4.0", f"lead_mohm = {LEADS_MOHM}")
    path = folder / "leads.toml"
    path.write_text(f"{head}\n{stand}", encoding="utf-8")
    return path


@asynccontextmanager
async def bench(folder: Path, *, settable: bool, make_up: float = 1.0) -> AsyncIterator[DrivenBench]:
    shipped = stand_file()
    assert shipped.stand.drive is not None
    stand = replace(shipped.stand, drive=replace(shipped.stand.drive, make_up=make_up))
    path = scenario(folder, settable=settable)
    async with opened(replace(shipped, stand=stand), folder, f"sim://{path}/good-pump") as made:
        yield DrivenBench(made, Witness(made))


class Watched:
    """What the supply was set to, and what stood at the terminals, scan by scan while power was on."""

    def __init__(self, made: DrivenBench) -> None:
        self.set: list[tuple[float, int]] = []
        self.volts: list[tuple[float, float]] = []
        sim, scan = made.bench.device.bench, made.bench.device.bench.scan

        def watched() -> list[int]:
            if sim.plant.powered:
                self.volts.append((sim.time, sim.plant.terminal_volts))
            if not self.set or self.set[-1][1] != sim.supply_mv:
                self.set.append((sim.time, sim.supply_mv))
            return scan()

        sim.scan = watched  # type: ignore[method-assign]


async def test_the_drop_in_the_leads_is_made_up_before_anything_is_read(tmp_path: Path) -> None:
    async with bench(tmp_path, settable=True) as made:
        seen = Watched(made)
        result = await made.test()
        assert result.verdict == "pass"
        assert not made.stops()
        assert "supply_low" not in {a.code for a in made.bench.all(Alarm)}
        on = next(n.t for n in made.bench.all(Noted) if n.what == "power on")
        begun = made.power.switched[0][0] - on
        windows = [r.window for r in result.readings if r.quantity == "current"]
        assert len(windows) == 4
        for begin, end in windows:
            inside = [v for t, v in seen.volts if begun + begin + 0.2 < t < begun + end]
            assert all(abs(v - VOLTS) < 0.06 for v in inside) or end == windows[0][1]  # it runs dry
            changed = [t for t, _ in seen.set if begun + begin + 0.2 < t < begun + end]
            assert changed == []
        settings = [mv for _, mv in seen.set if mv]
        assert max(settings) > 13_800
        assert max(settings) <= 14_500
        assert all(abs(b - a) <= 151 for a, b in pairwise(settings) if b > a)


@pytest.mark.parametrize(("settable", "make_up"), [(False, 1.0), (True, 0.0)])
async def test_a_supply_that_cannot_or_must_not_be_raised_is_low(
    tmp_path: Path, settable: bool, make_up: float
) -> None:
    """3.5 A and more through 90 mΩ and the source are over the part's 0.3 V."""
    async with bench(tmp_path, settable=settable, make_up=make_up) as made:
        seen = Watched(made)
        result = await made.test()
        assert result.verdict == "void"
        assert "supply_low" in {a.code for a in made.bench.all(Alarm)}
        assert {mv for _, mv in seen.set} <= {0, 13_500}
