"""The lean bench agrees with the ordinary one: the same unit gives the same levels, noise, edges and readings."""

from dataclasses import replace
from functools import cache
from itertools import pairwise

import numpy as np
import pytest
from numpy.typing import NDArray

from drivers.block import Block
from simulator.bench import Bench
from simulator.design import Scenario
from simulator.fast import Clean, FastBench, identity_of
from simulator.fast_noise import Drift, FastNoise
from simulator.fast_sensors import Misreading
from simulator.plant.noise import Spikes, Wander
from tests.simulator.common import depot, quiet

UNIT, WARM_UP_S, SECONDS = "good-pump", 2.0, 24.0


def without_errors(scenario: Scenario) -> Scenario:
    """Noise stays, sensors are true; with spikes, as real rigs have them."""
    sensors = tuple(replace(s, zero_doubt=0.0, gain_doubt=0.0) for s in scenario.sensors)
    spread = replace(scenario.meter_spread, k_doubt=0.0)
    return replace(scenario, sensors=sensors, meter_spread=spread, spikes=Spikes(2e-3, 0.01, 0.04))


def blocks_of(bench: Bench, seconds: float) -> list[Block]:
    """The ordinary bench's scans, gathered as its device gathers them."""
    device, blocks = bench.scenario.device, []
    for _ in range(round(seconds * device.sample_hz / device.block_scans)):
        first, counts = bench.tick + device.tick_hz // device.sample_hz, []
        for _ in range(device.block_scans):
            counts.append(bench.scan())
        meter = bench.meter
        blocks.append(
            Block(
                boot=device.boot,
                tick=first,
                index=0,
                values=np.array(counts, dtype=np.int16),
                edges=np.array([meter.edges]),
                last_edge=np.array([meter.last_tick]),
            )
        )
    return blocks


def on(bench: Bench | FastBench, *, opened: bool) -> None:
    """A connected unit in fluid, the pump running, the valve open or shut."""
    bench.connect()
    bench.immerse()
    bench.switch(True)
    if not opened:
        bench.aim_valve(0.0, 0.2)


@cache
def ordinary(*, opened: bool, noisy: bool, unit: str = UNIT) -> tuple[Block, ...]:
    bench = Bench(without_errors(depot()) if noisy else quiet(), unit, 5)
    on(bench, opened=opened)
    blocks_of(bench, WARM_UP_S)
    return tuple(blocks_of(bench, SECONDS))


def lean(*, opened: bool, noisy: bool, unit: str = UNIT) -> FastBench:
    scenario = without_errors(depot()) if noisy else quiet()
    bench = FastBench(scenario, scenario.unit(unit), np.random.default_rng(6), misread={})
    on(bench, opened=opened)
    take(bench, WARM_UP_S)
    return bench


def take(bench: FastBench, seconds: float) -> list[Block]:
    device = depot().device
    return [bench.block() for _ in range(round(seconds * device.sample_hz / device.block_scans))]


def counts(blocks: "list[Block] | tuple[Block, ...]") -> NDArray[np.float64]:
    return np.concatenate([b.values for b in blocks]).astype(np.float64)


def flow_of(blocks: "list[Block] | tuple[Block, ...]") -> float:
    """Edges a second between the first and the last block."""
    edges, ticks = (int(x[-1][0] - x[0][0]) for x in ([b.edges for b in blocks], [b.last_edge for b in blocks]))
    return 1e6 * edges / ticks


@pytest.mark.parametrize("opened", [True, False])
def test_levels(opened: bool) -> None:
    theirs = counts(ordinary(opened=opened, noisy=False))
    mine = counts(take(lean(opened=opened, noisy=False), SECONDS))
    assert mine.mean(axis=0) == pytest.approx(theirs.mean(axis=0), rel=2e-4, abs=0.1)
    assert mine[-500:].mean(axis=0) == pytest.approx(theirs[-500:].mean(axis=0), rel=2e-4, abs=0.1)


def test_edges() -> None:
    theirs = flow_of(ordinary(opened=True, noisy=False))
    assert flow_of(take(lean(opened=True, noisy=False), SECONDS)) == pytest.approx(theirs, rel=2e-4)


@pytest.mark.parametrize("opened", [True, False])
def test_noise(opened: bool) -> None:
    theirs = counts(ordinary(opened=opened, noisy=True))
    mine = counts(take(lean(opened=opened, noisy=True), SECONDS))
    kept = [np.sort(np.abs(x - np.median(x, axis=0)), axis=0)[: int(0.99 * len(x))].std(axis=0) for x in (mine, theirs)]
    assert kept[0] == pytest.approx(kept[1], rel=0.06, abs=0.02)


@pytest.mark.parametrize("opened", [True, False])
def test_means_of_a_second_scatter_alike(opened: bool) -> None:
    """What a reading is made of: its mean and its scatter from window to window."""
    theirs = counts(ordinary(opened=opened, noisy=True)).reshape(int(SECONDS), -1, 5).mean(axis=1)
    mine = counts(take(lean(opened=opened, noisy=True), SECONDS)).reshape(int(SECONDS), -1, 5).mean(axis=1)
    spread = np.hypot(theirs.std(axis=0), mine.std(axis=0)) / SECONDS**0.5
    assert np.all(np.abs(mine.mean(axis=0) - theirs.mean(axis=0)) < 4 * spread + 0.02)
    assert 0.5 < mine[:, 0].std() / theirs[:, 0].std() < 2.0


def test_flow_means_of_a_second_scatter_alike() -> None:
    def flows(blocks: "list[Block] | tuple[Block, ...]") -> NDArray[np.float64]:
        return np.array([flow_of(blocks[k : k + 26]) for k in range(0, len(blocks) - 26, 25)])

    theirs, mine = flows(ordinary(opened=True, noisy=True)), flows(take(lean(opened=True, noisy=True), SECONDS))
    assert mine.mean() == pytest.approx(theirs.mean(), rel=4 * 1e-3 / len(mine) ** 0.5)
    assert 0.5 < mine.std() / theirs.std() < 2.0


@pytest.mark.parametrize("opened", [True, False])
def test_a_displacement_pump_pulsates_alike(opened: bool) -> None:
    theirs = counts(ordinary(opened=opened, noisy=False, unit="displacement"))
    mine = counts(take(lean(opened=opened, noisy=False, unit="displacement"), SECONDS))
    assert mine.mean(axis=0) == pytest.approx(theirs.mean(axis=0), rel=3e-4, abs=0.1)
    assert mine[:, 0].std() == pytest.approx(theirs[:, 0].std(), rel=0.05)
    assert opened or mine[:, 0].std() > 5.0


def test_blocks_follow_each_other() -> None:
    blocks = take(lean(opened=True, noisy=True), 1.0)
    device = identity_of(depot())
    for before, after in pairwise(blocks):
        assert after.index == before.index + before.n
        assert after.tick == before.tick + before.n * device.tick_hz // device.sample_hz
        assert after.edges[0] >= before.edges[0]
        end = after.tick + (after.n - 1) * device.tick_hz // device.sample_hz
        assert before.last_edge[0] < after.last_edge[0] <= end
    assert blocks[0].values.dtype == np.int16


def test_what_really_was_is_kept() -> None:
    bench = lean(opened=False, noisy=True)
    clean = bench.clean()
    assert clean[-1, Clean.TIME] == pytest.approx(WARM_UP_S)
    assert clean[-1, Clean.PRESSURE] == bench.plant.pressure
    assert clean[-1, Clean.FLOW] == 0.0
    assert clean[-1, Clean.WINDING] > clean[0, Clean.WINDING]


def test_sensors_err_as_told() -> None:
    """A zero is there always, an offset only where something is measured, a gain in proportion."""
    scenario = quiet()
    wrong = {"pressure": Misreading(gain=0.01, offset=20e3, zero=3e3, knee=5e3)}
    rest, run = [], []
    for misread in ({}, wrong):
        bench = FastBench(scenario, scenario.unit(UNIT), np.random.default_rng(1), misread=misread, meter_gain=1.02)
        rest.append(counts(take(bench, 1.0))[:, 0].mean())
        on(bench, opened=False)
        take(bench, WARM_UP_S)
        run.append(counts(take(bench, 1.0))[:, 0].mean())
    per_pascal = 4.0 / 1e6 * 4096 / 5.0
    pressure = 612e3
    assert rest[1] - rest[0] == pytest.approx(3e3 * per_pascal, abs=1.0)
    assert run[1] - run[0] == pytest.approx((23e3 + 0.01 * pressure) * per_pascal, abs=2.0)


def test_a_meter_errs_as_told() -> None:
    scenario, flows = quiet(), []
    for gain in (1.0, 1.02):
        bench = FastBench(scenario, scenario.unit(UNIT), np.random.default_rng(1), misread={}, meter_gain=gain)
        on(bench, opened=True)
        take(bench, WARM_UP_S)
        flows.append(flow_of(take(bench, 4.0)))
    assert flows[1] / flows[0] == pytest.approx(1.02, rel=1e-3)


def test_a_wander_keeps_its_size_and_its_time() -> None:
    wander = Wander(share=0.02, time=0.1)
    series = Drift(wander, 500.0, 0.0).series(np.random.default_rng(2).standard_normal(128_000))
    assert series.std() == pytest.approx(0.02, rel=0.05)
    lag = float(series[50:] @ series[:-50]) / float(series @ series)  # 0.1 s, its time constant
    assert lag == pytest.approx(np.exp(-1.0), abs=0.05)


def test_noise_does_not_depend_on_how_it_is_taken() -> None:
    def noise() -> FastNoise:
        return FastNoise(np.random.default_rng(3), 2, (Wander(0.01), Wander(0.02)), Spikes(0.01), 500.0)

    whole, source = noise().take(4000), noise()
    parts = [source.take(n) for n in (1, 20, 979, 3000)]
    for k in range(3):
        assert np.array_equal(whole[k], np.concatenate([p[k] for p in parts]))
