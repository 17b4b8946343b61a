"""The population of stands: within its ranges, configured as it really is, and every kind of it drawn."""

from collections import Counter
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from daq.catalogue.load import load_catalogue, load_stand
from daq.judge.finding import Result
from daq.measure.convert import Column, Converter
from daq.procedure.run import Run
from daq.study.blind_run import carry_out
from daq.study.stands import BITS, LEADS_OHM, PULSES_PER_LITRE, RATES, TRAITS, VALVE_S, DrawnStand, draw_stand
from simulator.scenario import load_scenario

CONFIG = Path(__file__).resolve().parents[3] / "config"


@cache
def drawn(number: int) -> DrawnStand:
    stand, scenario = load_stand(CONFIG).stand, load_scenario("depot")
    return draw_stand(np.random.default_rng((1, number)), stand, scenario)


def test_stands_lie_within_the_population_and_reach_over_it() -> None:
    stands = [drawn(n) for n in range(200)]
    pulses = [s.stand.channels.flow.k_table[-1][1] / 1e3 for s in stands]
    assert PULSES_PER_LITRE[0] <= min(pulses) < 600.0
    assert 8_000.0 < max(pulses) <= PULSES_PER_LITRE[1]
    assert {s.identity.sample_hz for s in stands} == set(RATES)
    assert {s.scenario.sensors[0].converter.bits for s in stands} == set(range(BITS[0], BITS[1] + 1))
    leads = [s.leads for s in stands]
    assert LEADS_OHM[0] <= min(leads) < 0.01
    assert 0.09 < max(leads) <= LEADS_OHM[1]
    seconds = [s.habits.slow_travel for s in stands]
    assert VALVE_S[0] <= min(seconds) < 1.5
    assert 15.0 < max(seconds) <= VALVE_S[1]


def test_every_kind_of_stand_is_drawn_and_each_stand_is_of_one_kind_by_property() -> None:
    kinds = Counter(trait for n in range(200) for trait in drawn(n).traits)
    assert all(kinds[name] >= 30 for pair in TRAITS.values() for name in pair)
    assert all(kinds[low] + kinds[high] == 200 for low, high in TRAITS.values())


@pytest.mark.parametrize("number", range(12))
def test_what_is_configured_is_what_the_bench_shows(number: int) -> None:
    """Blocks of a stand at rest give the true zeros by the stand's own configuration, whatever its converter."""
    one = drawn(number)
    assert one.stand.channels.voltage.lead_resistance == one.leads
    assert one.stand.channels.flow.k_table == one.scenario.meter.k_table
    bench = one.mount(one.scenario.unit("good-pump"), np.random.default_rng(number))
    converter = Converter(one.stand.channels, one.identity)
    values = np.concatenate([converter.convert(bench.block()).values for _ in range(50)])
    pressure, kelvins = values[:, Column.PRESSURE], values[:, Column.TEMPERATURE]
    step = converter.resolution()
    assert abs(pressure.mean()) < step["pressure"] + 100.0
    assert abs(kelvins.mean() - one.scenario.bath.temperature) < step["temperature"] + 0.05


def test_leads_take_their_share_before_the_terminals() -> None:
    """The voltage is sensed in front of the leads, so it stands higher than at the terminals by leads × current; the
    configured resistance takes that off again."""
    one = next(s for s in map(drawn, range(50)) if s.leads > 0.08)
    unit = one.supplied(one.scenario.unit("good-pump"), terminals=13.5, current=5.0)
    bench = one.mount(unit, np.random.default_rng(3))
    bench.connect()
    bench.immerse()
    bench.switch(True)
    converter = Converter(one.stand.channels, one.identity)
    values = np.concatenate([converter.convert(bench.block()).values for _ in range(100)])[-20:]
    clean = bench.clean()[-1]
    assert values[:, Column.VOLTAGE].mean() == pytest.approx(clean[2], abs=0.03)
    assert clean[2] == pytest.approx(13.5 + (5.0 - clean[3]) * unit.supply.resistance, abs=0.01)


@pytest.mark.parametrize("number", [n for n in range(40) if drawn(n).leads > 0.06][:6])
def test_a_supply_set_for_the_current_in_fluid_may_stand_higher_at_the_dry_check(number: int) -> None:
    """A dry pump draws little, so the leads take little: the terminals stand some tenths of a volt too high."""
    one = drawn(number)
    part = load_catalogue(CONFIG, one.stand).part("MH-2101")
    unit = one.supplied(one.scenario.unit("good-pump"), terminals=part.test_voltage, current=5.9)
    carried = carry_out(Run(part, one.stand, one.identity, {}), one.mount(unit, np.random.default_rng(number)))
    dry = next(r for r in carried.outcome.readings if r.stage == "dry_check")
    finding = next(f for f in carried.outcome.findings if f.stage == "dry_check")
    assert finding.result is Result.MET
    assert any(c.source == "supply voltage off" and c.standard > 0.0 for c in dry.combined.components)
