"""The grid of the campaign, one case of it carried out, and the word that is said on it."""

import math
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache

import numpy as np

from daq.judge.verdict import Word
from daq.measure.reading import Reading
from daq.procedure.table import TRAVELS, stage_of
from daq.study.blind_run import TOLD
from tests.studies.single_faults.benches import Ran, laboratory, run_at, spoiler, unspoilt
from tests.studies.single_faults.faults import CLOCK, FLOW, Fault, Kind

START, ZEROED, POWERED = "start", "zeroed", "powered"
OFF_BY = 1.5
"""A reading that is further than so many of its U from the truth is off: by chance 3 in 1 000 are."""
SIGNED = {
    Kind.OFFSET: (0.02, 0.06, 0.2),
    Kind.GAIN: (0.02, 0.06, 0.2),
    Kind.DRIFT: (0.005, 0.02),
}
PLAIN = {
    Kind.STUCK: (0.0,),
    Kind.STUCK_NOISE: (0.0,),
    Kind.NOISE: (0.02, 0.1),
    Kind.DROP_OUT: (0.05, 0.3),
    Kind.REVERSED: (0.0,),
}
PARTNERS = {
    "pressure": ("voltage", "current", "temperature"),
    "voltage": ("current", "temperature"),
    "current": ("temperature",),
    "excitation": ("ambient", "pressure"),
}
CHANNELS = ("pressure", "voltage", "current", FLOW, "temperature", "level", "excitation", "ambient", CLOCK)
SIGNALS = ("pressure", "voltage", "current", FLOW)
"""Channels that show nothing but their rest while the power is off."""
NOT_FOR = {
    FLOW: {Kind.REVERSED, Kind.SWAPPED},
    CLOCK: {Kind.STUCK, Kind.STUCK_NOISE, Kind.NOISE, Kind.DROP_OUT, Kind.REVERSED},
}
"""Kinds that make no sense: a counter has no polarity, and a device without a running clock sends nothing."""


MOMENTS = {
    "pump": (START, ZEROED, POWERED, "free_flow", "throttle", "shutoff", "reopen", "free_flow.2"),
    "module": (START, ZEROED, POWERED, "shutoff", "reopen", "free_flow", "throttle", "shutoff.2"),
}
"""The moments at which a fault can begin, in the order of a run."""
FIRST_SIGNAL = {"pump": {}, "module": {FLOW: "free_flow"}}
"""The first moment at which a channel has shown a signal under power, where it is not the first after `powered`. A
module's line is shut until `reopen`, and its meter lags behind the valve."""
RELATIVE = frozenset({Kind.GAIN, Kind.OFFSET, Kind.SWAPPED, Kind.DRIFT, Kind.STUCK, Kind.STUCK_NOISE})
"""Kinds that one run finds only by a change: afterwards each window looks like that of another unit, as a current that
is stuck at nothing looks like that of a motor with an open winding."""


@dataclass(frozen=True, slots=True)
class Case:
    """One run: where, on what, and the fault with the moment at which it begins."""

    mode: str
    family: str
    good: bool
    fault: Fault
    moment: str
    seed: int = 1

    @property
    def no_earlier_signal(self) -> bool:
        """Whether the run holds no signal of the channel from before the fault that it could be compared with."""
        if self.moment == START:
            return True
        if self.fault.kind not in RELATIVE or self.fault.channel not in SIGNALS:
            return False
        unit = "module" if self.family == "module" else "pump"
        moments = MOMENTS[unit]
        first = FIRST_SIGNAL[unit].get(self.fault.channel, moments[moments.index(POWERED) + 1])
        return moments.index(self.moment) < moments.index(first)

    def __str__(self) -> str:
        f = self.fault
        kind = f.kind.value + (f":{f.partner}" if f.partner else "")
        unit = "good" if self.good else "bad"
        return f"{self.mode}/{self.family}/{unit}/{f.channel}/{kind}/{f.size:g}/{self.moment}/{self.seed}"


def case_of(text: str) -> Case:
    """The case that is written so.

    Raises:
        ValueError: it is none.
    """
    mode, family, unit, channel, kind, size, moment, seed = text.split("/")
    name, _, partner = kind.partition(":")
    return Case(mode, family, unit == "good", Fault(channel, Kind(name), float(size), partner), moment, int(seed))


@dataclass(frozen=True, slots=True)
class Result:
    """What came of a case. `word` is one of WORDS; `said` the verdict and why; `off` names readings that are off, each
    by how many of its U; `baseline` is what the same run says without the fault."""

    case: Case
    word: str
    said: str
    alarms: tuple[str, ...]
    off: tuple[str, ...]

    @property
    def wrong(self) -> bool:
        """Whether this must not be."""
        return self.word in (WRONG_PASS, WRONG_FAIL, RAISED)


WRONG_PASS, WRONG_FAIL = "wrong pass", "wrong fail"
RAISED = "raised"
WORDS = ("caught", "undecided", "harmless", "reading off", WRONG_PASS, WRONG_FAIL, RAISED)


@dataclass(frozen=True, slots=True)
class Baseline:
    """A run without a fault: when each moment is."""

    word: str
    moments: dict[str, float]


@cache
def baseline(mode: str, family: str, channel: str, good: bool, seed: int) -> Baseline:
    """The run without a fault, once a process."""
    lab = laboratory(mode, family)
    ran = run_at(lab, lab.unit(channel, good=good), seed, unspoilt)
    return Baseline(ran.outcome.verdict.word.value, _moments(ran))


def _moments(ran: Ran) -> dict[str, float]:
    """By name: from the first scan; after the zero; under power before anything is read; in the middle of each window;
    in the middle of each travel."""
    zero, power = ran.noted("zero") or 5.0, ran.noted("power on") or 6.0
    found = {START: 0.0, ZEROED: 0.5 * (zero + power), POWERED: power + 0.3}
    windows = {r.stage: r.window for r in ran.outcome.readings if r.quantity == "current"}
    for name, begin, end in ran.outcome.stages:
        if stage_of(name).name in TRAVELS:
            found[name] = begin + 0.6 * (end - begin)
        elif name in windows and name != "dry_check":
            found[name] = 0.5 * sum(windows[name])
    return found


def faults(channel: str) -> Iterator[Fault]:
    """All faults of a channel, of every size."""
    for kind, sizes in (*SIGNED.items(), *PLAIN.items()):
        if kind not in NOT_FOR.get(channel, ()):
            for size in sizes:
                yield from (Fault(channel, kind, s * size) for s in ((1, -1) if kind in SIGNED else (1,)))
    for partner in PARTNERS.get(channel, ()):
        yield Fault(channel, Kind.SWAPPED, 0.0, partner)


def carry_out(case: Case) -> Result:
    """One run with its fault."""
    lab = laboratory(case.mode, case.family)
    unit = lab.unit(case.fault.channel, good=case.good)
    at = baseline(case.mode, case.family, case.fault.channel, case.good, case.seed).moments[case.moment]
    try:
        ran = run_at(lab, unit, case.seed, spoiler(lab, case.fault, at, case.seed))
    except (ValueError, ArithmeticError) as error:  # what comes from outside must never raise
        return Result(case, RAISED, repr(error), (), ())
    return judged(case, ran)


def judged(case: Case, ran: Ran) -> Result:
    """The run's verdict beside the truth."""
    said = ran.outcome.verdict
    off = tuple(_off(ran))
    word = {Word.VOID: "caught", Word.UNDECIDED: "undecided"}.get(said.word)
    if word is None and (said.word is Word.PASS) is not case.good:
        word = WRONG_FAIL if case.good else WRONG_PASS
    word = word or ("reading off" if off else "harmless")
    return Result(case, word, f"{said.word.value} {said.why}".strip(), ran.alarms, off)


def _off(ran: Ran) -> Iterator[str]:
    truths = ran.truths()
    for r in ran.outcome.readings:
        if r.quantity in TOLD and r.stage != "dry_check" and not r.is_interval and _judged(r, ran):
            truth = truths.of(r.quantity, r.stage, r.window)
            by = (r.value - truth) / r.combined.U if r.combined.U else math.inf
            if abs(by) > OFF_BY or not np.isfinite(by):
                yield f"{r.name} {by:+.1f} U"


def _judged(reading: Reading, ran: Ran) -> bool:
    """Whether something was required of it."""
    return any(f.reading is reading for f in ran.outcome.findings)
