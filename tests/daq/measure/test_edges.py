"""Flow of uneven edges: what its mean is said to be known by, against what it really is."""

from collections.abc import Iterator

import numpy as np
import pytest

from daq.measure.channels import FlowInput
from daq.measure.flow import FlowMeter
from daq.measure.pooling import history_of
from daq.measure.scatter import Differences
from daq.measure.uncertainty import Mean, combine, mean_of
from drivers.block import Block
from tests.daq.measure.blocks import identity
from tests.studies.common import autoregressive

FINE_S = 0.005
TABLE = ((0.1, 1e6), (10_000.0, 1e6))


def edges(hertz: float, uneven: float, vanes: int, unrest: float, rng: np.random.Generator) -> np.ndarray:
    """Edge times (s) over 3.4 s, each out of place by `uneven` of an interval: at random or, with `vanes`,
    the same every turn. The flow wanders by `unrest`, 0.1 s long."""
    rates = hertz * (1.0 + unrest * autoregressive(rng, np.exp(-FINE_S / 0.1), 1, round(3.4 / FINE_S))[0])
    turned = np.concatenate(([rng.uniform()], rng.uniform() + np.cumsum(rates * FINE_S)))
    whole = np.arange(1, int(turned[-1]))
    off = np.resize(rng.standard_normal(vanes), whole.size) if vanes else rng.standard_normal(whole.size)
    times = np.arange(turned.size) * FINE_S
    return np.sort(np.interp(whole + uneven * off, turned, times))


def followed(meter: FlowInput, seen: np.ndarray) -> FlowMeter:
    """A meter that was told of these edges every 40 ms, from 1.8 s to 3.2 s."""
    made = FlowMeter(meter, identity(), tick0=0)
    ends = np.arange(45, 81) * 0.04
    for end, number in zip(ends.tolist(), np.searchsorted(seen, ends, side="right").tolist(), strict=True):
        last = np.array([round(float(seen[number - 1]) * 1e6)])
        made.feed(Block(1, 0, 0, np.zeros((1, 1), np.int16), np.array([number]), last), end)
    return made


def windows(
    hertz: float, uneven: float, vanes: int, unrest: float, *, earlier: int, count: int = 120
) -> Iterator[tuple[float, Mean]]:
    """True flow, and the mean of a window of 1 s, on meters whose `earlier` windows are known."""
    meter = FlowInput(k_table=TABLE, silence=1.0, stall_flow=0.0)
    for k in range(count):
        rng = np.random.default_rng((5, k))
        before: list[Differences] = []
        for n in range(earlier + 1):
            made = followed(meter, edges(hertz, uneven, vanes, unrest, rng))
            rates = made.rates(2.0, 3.0)
            if n < earlier:
                before.append(Differences.of(rates.values))
        known = history_of([{"flow": d} for d in before])
        mean = mean_of(rates.values, known=[*known.values(), *rates.usual], noise=rates.noise)
        value = made.mean(2.0, 3.0).value
        yield hertz * 1e-6, Mean(value, mean.standard, mean.n, mean.n_effective, mean.dof, mean.phi)


KINDS = [
    pytest.param(14.0, 0.0, 0, 0.002, id="coarse, even"),
    pytest.param(14.0, 0.02, 0, 0.002, id="coarse, uneven"),
    pytest.param(14.0, 0.05, 6, 0.002, id="coarse, the same every turn"),
    pytest.param(30.0, 0.1, 0, 0.001, id="coarse, very uneven"),
    pytest.param(280.0, 0.03, 0, 0.003, id="fine"),
]


@pytest.mark.parametrize(("hertz", "uneven", "vanes", "unrest"), KINDS)
@pytest.mark.parametrize("earlier", [0, 6])
def test_the_mean_flow_is_known_as_well_as_it_says(
    hertz: float, uneven: float, vanes: int, unrest: float, earlier: int
) -> None:
    found = list(windows(hertz, uneven, vanes, unrest, earlier=earlier, count=120 if earlier == 0 else 60))
    combined = [combine([mean.component()]) for _, mean in found]
    errors = np.array([mean.value - true for true, mean in found])
    held = np.mean(np.abs(errors) <= [c.U for c in combined])
    assert held >= 0.8  # of 60 windows on meters that are even but for their fluid; all else holds nearly always
    assert np.quantile([c.k for c in combined], 0.9) <= 2.4
    assert 0.3 <= np.sqrt(np.mean((errors / [c.u for c in combined]) ** 2)) <= 1.35
