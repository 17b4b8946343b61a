"""What the decision rule does to a whole production: risks of JCGM 106:2012, clause 9, for the core's own rule.

The values at which a reading is just met are found by asking the rule; what a normal process and a normal measurement
make of them is a quadrature. "Accepted" means met; a reading that is undecided is not accepted here.
"""

from collections.abc import Callable

import pytest
from scipy.integrate import quad
from scipy.optimize import brentq
from scipy.stats import norm

from daq.judge.finding import Result, judge
from daq.judge.requirement import Quantity, Requirement
from daq.measure.distributions import normal_cdf, normal_quantile
from daq.measure.reading import Reading
from daq.measure.uncertainty import Component, Shape, combine
from tests.published.rows import rows


def guarded(width: float, u: float) -> float:
    """The factor that makes a guard band of this width; the rule's own U is 1.96 u."""
    return width / (normal_quantile(0.975) * u)


def accepts(rule: Requirement, y: float, u: float) -> bool:
    combined = combine([Component("all", Shape.NORMAL, u)])
    reading = Reading("flow", "free_flow", y, y, y, combined, 1, 1.0, (0.0, 1.0))
    return judge(rule, reading, "free_flow").result is Result.MET


def edge(rule: Requirement, u: float, inside: float, outside: float) -> float:
    """Where the rule begins to accept, between a reading that it accepts and one that it does not."""
    return float(brentq(lambda y: 0.5 - accepts(rule, y, u), inside, outside, xtol=1e-12))


def risks(
    conforms: Callable[[float], bool], low: float, high: float, process: tuple[float, float], u: float
) -> tuple[float, float]:
    """The consumer's and the producer's risk in per cent where readings from `low` to `high` are accepted."""
    mean, s = process

    def part(x: float, wrong: bool) -> float:
        accepted = norm.cdf((high - x) / u) - norm.cdf((low - x) / u)
        chance = 1.0 - accepted if conforms(x) else accepted
        return float(norm.pdf(x, mean, s) * chance) if conforms(x) is not wrong else 0.0

    ends = (mean - 9 * s, mean + 9 * s)
    breaks = [x for x in (low, high, *BREAKS) if ends[0] < x < ends[1]]
    consumer, producer = (
        quad(part, *ends, args=(wrong,), points=breaks, limit=400, epsabs=1e-10)[0] for wrong in (True, False)
    )
    return 100 * consumer, 100 * producer


BREAKS = (1499.8, 1500.2, 110.0)


@rows("V5.32", "V5.33")
@pytest.mark.parametrize(
    ("guard", "consumer", "producer", "tolerance"), [(0.02, 0.988, 6.903, 5e-4), (0.0, 1.894, 3.721, 5e-4)]
)
def test_a_line_of_resistors(guard: float, consumer: float, producer: float, tolerance: float) -> None:
    """JCGM 106:2012, 9.5 (parameters as in open code that cites it): 1 500 Ω ± 0.20 Ω, process N(1 500, 0.12),
    u = 0.04, accepted within ± 0.18: R_C = 1 %, R_P = 7 %. Without a guard band the same model gives 1.894 and 3.721 %
    (recomputed, not printed there)."""
    u = 0.04
    rule = Requirement("band", Quantity.FLOW, "free_flow", 1499.80, 1500.20, guard=guarded(guard, u))
    low, high = edge(rule, u, 1500.0, 1499.0), edge(rule, u, 1500.0, 1501.0)
    assert (low, high) == (pytest.approx(1499.80 + guard), pytest.approx(1500.20 - guard))
    found = risks(lambda x: 1499.80 <= x <= 1500.20, low, high, (1500.0, 0.12), u)
    assert found == (pytest.approx(consumer, abs=tolerance), pytest.approx(producer, abs=tolerance))


@rows("V5.33")
def test_the_share_of_resistors_outside() -> None:
    """9.558 % of N(1 500, 0.12) lies outside of ± 0.20, by the core's distribution and by the quadrature above."""
    assert 100 * (1.0 - normal_cdf(0.20 / 0.12) + normal_cdf(-0.20 / 0.12)) == pytest.approx(9.558, abs=5e-4)
    found = risks(lambda x: not 1499.80 <= x <= 1500.20, -1e9, 1e9, (1500.0, 0.12), 0.04)
    assert found[0] == pytest.approx(100 - 9.558, abs=5e-4)


@rows("V5.34", "V5.35")
@pytest.mark.parametrize(
    ("guard", "consumer", "producer"), [(0.0, 0.2311, 0.3158), (1.0, 0.00527, 1.8542)], ids=["w = 0", "w = U"]
)
def test_a_minimum_flow(guard: float, consumer: float, producer: float) -> None:
    """JCGM 106:2012, clause 9 model, numbers invented for the test: at least 110 L/h, product N(118, 4), u = 0.5 L/h,
    accepted from 110 L/h on or, with w = U = 1 L/h, from 111 L/h on."""
    u = 0.5
    rule = Requirement("flow", Quantity.FLOW, "free_flow", at_least=110.0, guard=guarded(guard, u))
    low = edge(rule, u, 130.0, 100.0)
    found = risks(lambda x: x >= 110.0, low, 1e6, (118.0, 4.0), u)
    assert found == (pytest.approx(consumer, abs=1e-3), pytest.approx(producer, abs=1e-3))
    assert found[0] == pytest.approx(consumer, rel=2e-3)
