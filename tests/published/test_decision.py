"""Decision rule and conformance probability against JCGM 106:2012 and ILAC-G8:09/2019; affinity laws.

Figures were recomputed; clause numbers of both documents are from memory.
"""

import pytest

from daq.judge.finding import Result, conformity, judge
from daq.judge.requirement import Quantity, Requirement
from daq.measure.distributions import normal_quantile
from daq.measure.reading import Reading, Supply
from daq.measure.uncertainty import Component, Shape, combine
from tests.published.rows import rows


def reading(y: float, u: float, quantity: str = "flow") -> Reading:
    """A reading with a normal uncertainty."""
    return Reading(quantity, "free_flow", y, y, y, combine([Component("all", Shape.NORMAL, u)]), 1, 1.0, (0.0, 1.0))


def at_least(limit: float, guard: float = 1.0) -> Requirement:
    return Requirement("limit", Quantity.FLOW, "free_flow", at_least=limit, guard=guard)


def p_conform(requirement: Requirement, r: Reading) -> float:
    p = conformity(requirement, r)
    assert p is not None
    return p


@rows("V5.30")
@pytest.mark.parametrize(("probability", "z"), [(0.80, 0.84), (0.90, 1.28), (0.95, 1.64), (0.99, 2.33), (0.999, 3.09)])
def test_one_sided_conformance_probability(probability: float, z: float) -> None:
    """JCGM 106:2012, Table 1."""
    assert normal_quantile(probability) == pytest.approx(z, abs=0.005)
    exact = normal_quantile(probability)
    assert p_conform(at_least(10.0), reading(10.0 + exact, 1.0)) == pytest.approx(probability, abs=1e-4)


@rows("V5.31")
def test_breakdown_voltage() -> None:
    """JCGM 106:2012, clause 7, worked example (from memory): at most −5.40 V, y = −5.47 V, u = 0.05 V: p_c = 0.92."""
    limit = Requirement("breakdown", Quantity.VOLTAGE, "free_flow", at_most=-5.40)
    assert p_conform(limit, reading(-5.47, 0.05, "voltage")) == pytest.approx(0.92, abs=0.005)


def risk_at_the_acceptance_limit(guard: float) -> float:
    """The specific risk of false acceptance of the worst reading that is still met, for U = 2u."""
    u = 1.0
    expanded = reading(0.0, u).combined.U
    edge = reading(100.0 + guard * 2.0 * u, u)
    rule = at_least(100.0, guard * 2.0 * u / expanded)  # U of the product is 1.96 u, of the rule 2 u
    inside, outside = (judge(rule, reading(edge.value + d, u), "free_flow").result for d in (1e-9, -1e-6))
    assert inside is Result.MET
    assert outside is not Result.MET
    return 1.0 - p_conform(rule, edge)


@rows("V5.36")
def test_guard_band_of_the_whole_uncertainty() -> None:
    """ILAC-G8:09/2019, 4.2: w = U, specific risk below 2.5 % (2.275 % at k = 2, 2.500 % at k = 1.96)."""
    assert risk_at_the_acceptance_limit(1.0) == pytest.approx(0.02275, abs=1e-5)
    plain = reading(100.0, 1.0)
    edge = reading(100.0 + plain.combined.U, 1.0)
    assert 1.0 - p_conform(at_least(100.0), edge) == pytest.approx(0.025, abs=1e-5)


@rows("V5.37")
def test_simple_acceptance() -> None:
    """ILAC-G8:09/2019, 4.2.1: w = 0, specific risk up to 50 %."""
    assert risk_at_the_acceptance_limit(0.0) == pytest.approx(0.5, abs=1e-6)


@rows("V5.38")
@pytest.mark.parametrize(
    ("guard", "risk", "tolerance"), [(0.83, 0.04846, 1e-4), (1.5, 0.00135, 1e-4), (3.0, 9.9e-10, 2e-9)]
)
def test_other_guard_bands(guard: float, risk: float, tolerance: float) -> None:
    """ILAC-G8:09/2019, Table 1 (from memory): 0.83 U below 5 % (4.846 %), 1.5 U 0.16 % (0.135 %), 3 U 1 ppm
    (0.00099 ppm)."""
    assert risk_at_the_acceptance_limit(guard) == pytest.approx(risk, abs=tolerance)


@rows("V5.39")
@pytest.mark.parametrize(
    ("y", "result", "p"),
    [(112.0, Result.MET, 0.9772), (111.0, Result.UNDECIDED, 0.8413), (109.0, Result.UNDECIDED, 0.1587)],
)
def test_minimum_with_a_guard_band(y: float, result: Result, p: float) -> None:
    """ILAC-G8:09/2019 and JCGM 106:2012: limit 110, u = 1.0, w = 2.0. The Guides' binary rule calls 109 a fail; here a
    reading is only not met where the whole of y + w is below, so both inner rows are undecided."""
    finding = judge(at_least(110.0), reading(y, 1.0), "free_flow")
    assert (finding.result, finding.p_conform) == (result, pytest.approx(p, abs=1e-4))


@rows("V5.40")
@pytest.mark.parametrize(("y", "u", "p"), [(400.0, 8.0, 0.987581), (415.0, 3.0, 0.952210)])
def test_band(y: float, u: float, p: float) -> None:
    """JCGM 106:2012, clause 7: 380 to 420 kPa; the grid of the distribution is good to 1e-4."""
    band = Requirement("band", Quantity.PRESSURE, "shutoff", at_least=380.0, at_most=420.0)
    assert p_conform(band, reading(y, u, "pressure")) == pytest.approx(p, abs=1e-4)


TURBINE = Supply(test_voltage=13.5, turbine=True)


@rows("V8.1", "V8.2")
@pytest.mark.parametrize(
    ("quantity", "slow", "rated", "fast", "curvature"),
    [
        ("flow", 90.0, 100.0, 110.0, 1e-9),
        ("pressure", 2.43, 3.00, 3.63, 1e-9),
        ("power", 43.74, 60.0, 79.86, 0.0034),
    ],
)
def test_affinity_laws(quantity: str, slow: float, rated: float, fast: float, curvature: float) -> None:
    """Affinity laws (ISO 9906:2012, speed translation; from memory): the tabulated changes for ± 10 % of speed, speed
    being in proportion to voltage. Of a cube, the secant is a third of a per cent steeper than the tangent."""
    secant = (fast - slow) / (0.2 * TURBINE.test_voltage)
    assert TURBINE.by_law(quantity, rated) == pytest.approx(secant, rel=curvature)


@rows("V8.1")
def test_displacement_pump_keeps_its_pressure() -> None:
    """Holds for turbine pumps; a displacement pump gives flow in proportion to speed at unchanged pressure."""
    displacement = Supply(test_voltage=13.5, turbine=False)
    assert displacement.by_law("pressure", 3e5) == 0.0
    assert displacement.by_law("flow", 100.0) == pytest.approx(100.0 / 13.5)
    assert displacement.by_law("current", 5.0) == 0.0
