"""`python -m tests.studies.other_stands`: the core on a bench that shares no code with the simulator.

Prints verdicts of sound and of bad units, and how readings keep to their stated uncertainty.
"""

import argparse
import sys
from collections import Counter
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial

import numpy as np

from daq.procedure.run import Run
from daq.study.blind_tally import Share
from tests.studies.common import show
from tests.studies.other_bench import TEST_VOLTAGE, Bench, draw_errors, draw_pump, draw_rig, part_of, steady

SPREAD = 0.03
"""Standard deviation of a unit about each of its limits, as a share; sound units are SOUND better than each limit."""
SOUND = 0.08
LONGEST_S = 300.0


@dataclass(frozen=True, slots=True)
class Error:
    """A reading beside the truth: error over u, k, and whether U holds it."""

    quantity: str
    over_u: float
    k: float
    held: bool


@dataclass(frozen=True, slots=True)
class Tested:
    """One unit: the verdict, whether the unit is truly good, the reason, the readings, the seed to run it again."""

    word: str
    good: bool
    why: str
    errors: tuple[Error, ...]
    number: int
    rate: int


def try_one(number: int, seed: int, close: bool) -> Tested:
    """Tests one unit on one stand; `close` units lie about their limits."""
    draw = np.random.default_rng((seed, number))
    rig, pump = draw_rig(draw), draw_pump(draw)
    margins = tuple((SPREAD * draw.standard_normal(4) if close else np.full(4, SOUND)).tolist())
    part = part_of(rig, pump, margins)  # type: ignore[arg-type]
    # Set for the mean of both currents, so that the leads take the terminals neither too low nor too high.
    usual = 0.5 * sum(steady(rig, pump, TEST_VOLTAGE, opened=way)["current"] for way in (True, False))
    volts = TEST_VOLTAGE + float(draw.uniform(-0.05, 0.05))
    bench = Bench(rig, pump, draw_errors(rig, draw), draw, supply=volts + (rig.source + rig.leads) * usual)
    run = Run(part, rig.stand, rig.identity, {})
    while run.outcome is None and bench.t < LONGEST_S:
        bench.obey(run)
        run.feed(bench.block())
    if run.outcome is None:
        return Tested("unended", min(margins) >= 0.0, run.stage, (), number, rig.identity.sample_hz)
    verdict = run.outcome.verdict
    return Tested(
        verdict.word.value,
        min(margins) >= 0.0,
        verdict.why,
        tuple(_errors(run, bench)),
        number,
        rig.identity.sample_hz,
    )


def _errors(run: Run, bench: Bench) -> Iterator[Error]:
    assert run.outcome is not None
    truth = np.array(bench.truth)
    for r in run.outcome.readings:
        column = {"flow": 4, "peak_pressure": 1, "current": 3}.get(r.quantity)
        opened = r.stage.startswith("free_flow")
        if column is None or r.is_interval or not (opened or r.stage.startswith("shutoff")):
            continue
        first, last = np.searchsorted(truth[:, 0], np.array(r.window) + 1e-6)
        seen = truth[min(first, last - 1) : last].mean(axis=0)
        at = [steady(bench.rig, bench.pump, volts, opened=opened)[r.quantity] for volts in (TEST_VOLTAGE, seen[2])]
        meant = seen[column] * (at[0] / at[1] if at[1] else 1.0)
        error = r.value - meant
        yield Error(r.quantity, error / r.combined.u, r.combined.k, abs(error) <= r.combined.U)


def carry_out(units: int, seed: int, *, close: bool, jobs: int = 1) -> list[Tested]:
    """Tests units number 0 to `units` − 1."""
    one = partial(try_one, seed=seed, close=close)
    if jobs == 1:
        return [one(number) for number in range(units)]
    with ProcessPoolExecutor(jobs) as pool:
        return list(pool.map(one, range(units), chunksize=4))


def verdict_rows(tested: Sequence[Tested]) -> Iterator[list[str]]:
    """Verdicts by what the unit truly is."""
    for good in (True, False):
        mine = [t for t in tested if t.good is good]
        words = Counter(t.word for t in mine)
        counts = [str(words[w]) for w in ("pass", "fail", "undecided", "void", "unended")]
        if mine:
            yield ["good" if good else "bad", str(len(mine)), *counts]


def reading_rows(tested: Sequence[Tested]) -> Iterator[list[str]]:
    """Readings by quantity."""
    for quantity in ("flow", "peak_pressure", "current"):
        mine = [e for t in tested for e in t.errors if e.quantity == quantity]
        if mine:
            held = Share(sum(e.held for e in mine), len(mine))
            low, high = held.bounds
            rms = float(np.sqrt(np.mean([e.over_u**2 for e in mine])))
            k = np.quantile([e.k for e in mine], (0.5, 0.9))
            yield [
                quantity,
                str(len(mine)),
                f"{100 * (held.value or 0.0):.1f} % ({100 * low:.1f} to {100 * high:.1f})",
                f"{rms:.2f}",
                f"{k[0]:.2f}",
                f"{k[1]:.2f}",
            ]


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.studies.other_stands", description=__doc__)
    parser.add_argument("--units", type=int, default=300, help="units of each of the two groups")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--number", type=int, help="one unit, with its readings")
    given = parser.parse_args()
    if given.number is not None:
        for close in (False, True):
            sys.stdout.write(f"{try_one(given.number, given.seed, close)}\n")
        return
    for title, close in (("Sound units, 8 % better than each limit", False), ("Units about their limits", True)):
        tested = carry_out(given.units, given.seed, close=close, jobs=given.jobs)
        sys.stdout.write(f"\n{title}\n\n")
        show(("truth", "n", "pass", "fail", "undecided", "void", "unended"), verdict_rows(tested))
        sys.stdout.write("\n")
        show(("quantity", "n", "U holds the truth", "rms error/u", "k median", "k 90 %"), reading_rows(tested))
        reasons = Counter(t.why for t in tested if t.word in ("void", "unended"))
        wrong = [t for t in tested if (t.word == "pass" and not t.good) or (t.word == "fail" and t.good)]
        sys.stdout.write(f"\nvoid: {dict(reasons)}; e.g. {[t.number for t in tested if t.word == 'void'][:8]}\n")
        sys.stdout.write(f"wrong: {[(t.number, t.word, t.why) for t in wrong]}\n")


if __name__ == "__main__":
    main()
