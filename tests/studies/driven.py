"""Whole driven runs of every part in the catalogue: how long the valve takes, how far pressure overshoots, how long the
unit is held at shutoff.

The core, its configuration and the simulated units are the real ones; a command is at switch and actuator a block after
the one that it answers to. Run: python -m tests.studies.driven
"""

import math
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache

import numpy as np

from daq.catalogue.load import load_catalogue, load_stand
from daq.procedure.effects import Outcome, Outputs
from daq.procedure.plan import Drive, Stand
from daq.procedure.run import Run
from daq.procedure.table import Do, stage_of
from simulator.fast import Clean, FastBench, identity_of
from simulator.scenario import load_scenario
from tests.studies.common import show
from tests.studies.curve import CONFIG
from tests.studies.ramp import LINE_S, SPAN

UNITS = {
    "MH-2101": "good-pump",
    "MH-2140": "high-pressure",
    "MH-2207": "displacement",
    "MH-3310": "module",
    "MH-3325": "module-return",
}
HANDS: dict[Do, tuple[str, Callable[[FastBench], None]]] = {
    Do.CONNECT: ("connected", FastBench.connect),
    Do.IMMERSE: ("in_fluid", FastBench.immerse),
    Do.HOLD_RETURN: ("return_held", FastBench.hold_return),
}
"""What a person does at a driven stand, and says."""
HANDS_S = 8.0
"""Every task takes so long, so that the zero can be taken."""


@dataclass(frozen=True, slots=True)
class Shown:
    """What a run showed. `stages` holds (name, seconds) of those with the unit running. `overshoot` (Pa) is the highest
    50 ms mean while the valve closed over the pressure read at shutoff, `rate` (Pa/s) how quickly pressure truly
    changed while the valve travelled, `at_shutoff` (s) how long the valve truly was shut at a stretch with power on:
    for a module, while it filled.
    """

    outcome: Outcome
    stages: tuple[tuple[str, float], ...]
    overshoot: float
    rate: float
    at_shutoff: float


@cache
def driven_stand() -> Stand:
    return load_stand(CONFIG / "stand-driven.toml").stand


def shown(number: str, seed: int, *, actuator: float = 2.0, drive: Drive | None = None) -> Shown:
    """One unit of a part tested by itself, with an actuator of so many seconds from end to end."""
    known = driven_stand()
    stand = replace(known, drive=drive or known.drive)
    part = load_catalogue(CONFIG / "stand-driven.toml", stand).part(number)
    scenario = load_scenario("driven")
    bench = FastBench(scenario, scenario.units[UNITS[number]], np.random.default_rng((seed, 78)), misread={})
    run = Run(part, stand, identity_of(scenario), {})
    on_the_way = deque[tuple[float, Outputs]]()
    travels: list[float] = []
    asked: tuple[Do, float] | None = None
    while run.outcome is None and bench.time < 300.0:
        while on_the_way and on_the_way[0][0] <= bench.time + 1e-9:
            outputs = on_the_way.popleft()[1]
            bench.aim_valve(outputs.valve, actuator)
            if outputs.power is not bench.powered:
                bench.switch(outputs.power)
        effects = run.feed(bench.block())
        travels.append(bench.plant.travel)
        do = run.now.do
        asked = asked if asked is not None and asked[0] is do else (do, bench.time)
        if do in HANDS and bench.time >= asked[1] + HANDS_S:
            said, act = HANDS[do]
            act(bench)
            effects += run.confirm(said)
        on_the_way.extend((bench.time + LINE_S, e) for e in effects if isinstance(e, Outputs))
    assert run.outcome is not None, f"{number}: not ended, stage {run.stage}"
    return _seen(run.outcome, bench, np.array(travels))


def _seen(outcome: Outcome, bench: FastBench, travels: np.ndarray) -> Shown:
    clean = bench.clean()
    t, p = clean[:, Clean.TIME], clean[:, Clean.PRESSURE]
    running = clean[:, Clean.CURRENT] > 0.5
    travelling = np.zeros(len(t), bool)
    for name, begin, end in outcome.stages:
        if stage_of(name).name in ("throttle", "rated", "reopen"):
            travelling |= (t > begin) & (t <= end)
    rates = np.abs(p[SPAN:] - p[:-SPAN]) / (t[SPAN:] - t[:-SPAN])
    both = travelling[SPAN:] & travelling[:-SPAN]
    settled = max(r.value for r in outcome.readings if r.quantity == "pressure" and r.stage.startswith("shutoff"))
    return Shown(
        outcome,
        tuple((name, end - begin) for name, begin, end in outcome.stages if stage_of(name).power),
        math.nan if outcome.overshoot is None else outcome.overshoot - settled,
        float(rates[both].max()),
        _longest(t, (travels == 0.0) & running),
    )


def _longest(t: np.ndarray, held: np.ndarray) -> float:
    longest = begun = 0.0
    for k in range(1, len(t)):
        begun = begun if held[k] and held[k - 1] else float(t[k])
        longest = max(longest, float(t[k]) - begun)
    return longest


def _row(number: str, actuator: float, seeds: int) -> list[str]:
    drive = driven_stand().drive
    assert drive is not None
    told = [
        shown(number, seed, actuator=actuator, drive=replace(drive, travel=max(drive.travel, actuator)))
        for seed in range(seeds)
    ]
    stages = ", ".join(f"{name} {seconds:.1f}" for name, seconds in told[0].stages)
    return [
        number,
        f"{actuator:.0f} s",
        " ".join(sorted({o.outcome.verdict.word.value for o in told})),
        f"{max(o.overshoot for o in told) / 1e3:.1f}",
        f"{max(o.rate for o in told) / 1e3:.0f}",
        f"{max(o.at_shutoff for o in told):.1f}",
        f"{max(o.outcome.pump_on_s for o in told):.0f}",
        stages,
    ]


def main(seeds: int = 3) -> None:
    head = ("part", "actuator", "verdict", "overshoot kPa", "quickest kPa/s", "shut for s", "power s", "stages, s")
    show(head, (_row(number, actuator, seeds) for number in UNITS for actuator in (2.0, 4.0, 8.0)))


if __name__ == "__main__":
    main()
