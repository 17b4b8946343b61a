"""Sound units on the stands of the population, whose devices measure their references: no check of one signal against
another voids a run that is as it should be."""

from pathlib import Path

import numpy as np
import pytest

from daq.catalogue.load import load_catalogue, load_stand
from daq.procedure.crosschecks import CONTRADICT
from daq.procedure.run import Run
from daq.study.blind_run import carry_out
from daq.study.stands import draw_stand
from simulator.scenario import load_scenario

CONFIG = Path(__file__).parents[3] / "config"
REFERENCES = ("excitation", "shunt temperature", "reference voltage", "converter supply", "device clock")
OURS = {CONTRADICT, "zero shifted", *(f"{name} faulty" for name in REFERENCES)}
"""Why a run is void by these checks."""
ALARMS = {"reference_faulty", "channels_disagree", "zero_shift"}


def why_void(number: int) -> str:
    """Why a good pump on one of the stands is void; empty where it is not."""
    stand, scenario = load_stand(CONFIG).stand, load_scenario("referenced")
    part = load_catalogue(CONFIG, stand).part("MH-2101")
    one = draw_stand(np.random.default_rng((7, number)), stand, scenario)
    generator = np.random.default_rng((8, number))
    unit = one.supplied(one.scenario.unit("good-pump"), part.test_voltage, 6.0)
    carried = carry_out(Run(part, one.stand, one.identity, {}), one.mount(unit, generator))
    verdict = carried.outcome.verdict
    return verdict.why if verdict.word.value == "void" else ""


@pytest.mark.parametrize("number", range(6))
def test_a_sound_run_is_not_void_by_a_comparison(number: int) -> None:
    assert why_void(number) not in OURS
