"""Readings of a run against the part's requirements: which readings a requirement means, and what is found."""

import math
from collections.abc import Sequence
from dataclasses import replace

from daq.judge.finding import Finding, Result, judge
from daq.judge.requirement import Quantity, Requirement
from daq.measure.reading import SUPPLY_CORRECTION, Reading, Supply, evidence
from daq.measure.uncertainty import combine
from daq.procedure.guards import Breach
from daq.procedure.plan import Part, Principle
from daq.procedure.table import RATED, meant

Key = tuple[str, str, float | None]
"""What a reading is known by: stage, quantity, and the place or time that it was read at."""

LOW_FLAG = "supply_low"
"""The flag of a reading that was taken although the supply was below its tolerance."""


def supply_of(part: Part) -> Supply:
    """How this part's readings follow the supply."""
    stated = {name: (s.per_volt, s.doubt) for name, s in part.sensitivity.items()}
    return Supply(part.test_voltage, stated, part.principle is Principle.TURBINE, part.fluid)


def key_of(requirement: Requirement, stage: str) -> Key:
    """The reading that a requirement is judged by in a stage."""
    at = requirement.after if requirement.at is None else requirement.at
    return stage, requirement.quantity.value, at


class Book:
    """The readings and findings of one run, by stage; `restless` is the one whose time ran out before its channels
    stood still."""

    def __init__(self, part: Part, stages: tuple[str, ...]) -> None:
        self._part = part
        self._asked: dict[str, list[Requirement]] = {s: [] for s in (*stages, RATED)}
        self._readings: dict[Key, Reading] = {}
        self._extra: list[Finding] = []
        self.restless = ""
        for requirement in part.requirements:
            named = meant(requirement.stage, stages, part.kind)
            for stage in named:
                self._asked[stage].append(requirement)
            if not named:  # a stage that this run has not: evidence that cannot come
                self._extra.append(judge(requirement, None, requirement.stage))

    def asked(self, stage: str) -> list[Requirement]:
        """What is required in a stage."""
        return self._asked[stage]

    def take(self, reading: Reading) -> tuple[Finding, ...]:
        """Keeps a reading in place of an earlier look at the same; gives the findings that follow from it.

        A reading under a supply that sags does not displace a sound one, unless it shows too much current.
        """
        key, asked = (reading.stage, reading.quantity, reading.at), self._asked[reading.stage]
        earlier = self._readings.get(key)
        if LOW_FLAG in reading.flags and earlier is not None and LOW_FLAG not in earlier.flags:
            mine = [_sag_rule(judge(r, reading, reading.stage)) for r in asked if key_of(r, reading.stage) == key]
            if not any(f.result is Result.NOT_MET for f in mine):
                return ()
        self._readings[key] = reading
        return tuple(f for f in self.of_stage(reading.stage) if f.reading is reading)

    def of_stage(self, stage: str) -> list[Finding]:
        """The findings of a stage as they stand now."""
        return [_sag_rule(judge(r, self._readings.get(key_of(r, stage)), stage)) for r in self._asked[stage]]

    def reading(self, stage: str, quantity: str) -> Reading | None:
        """The reading of a quantity in a stage, None while there is none."""
        return self._readings.get((stage, quantity, None))

    def finest(self, channel: str, least: float, most: float) -> float:
        """How far a channel may be off unseen, SI: the smallest U of what was judged by it, between two bounds."""
        judged = [f.reading for f in self.findings() if f.reading is not None and not f.reading.is_interval]
        stated = (r.combined.U for r in judged if r.quantity.endswith(channel))
        return max(least, min((most, *stated)))

    def breach(self, breach: Breach, stage: str, t: float) -> Finding | None:
        """What a limit that the unit passed proves: not met, with the samples as evidence."""
        if breach.quantity is None:
            return None
        if breach.quantity is Quantity.FLOW:
            self._no_flow(breach, stage, t)
            return None
        passed = max(breach.reached, breach.limit)
        reached = math.nextafter(passed, math.inf) if passed == breach.limit else passed
        reading = evidence(stage, breach.quantity.value, reached, (t, t), breach.code)
        mine = [r for r in self._asked[stage] if r.quantity is breach.quantity and r.at_most is not None]
        if any(f.result is Result.NOT_MET for f in (judge(r, reading, stage) for r in mine)):
            self._readings[stage, breach.quantity.value, None] = reading
            return None
        limit = Requirement(f"limit {breach.quantity.value}", breach.quantity, stage, at_most=breach.limit, guard=0.0)
        self._extra.append(judge(limit, reading, stage))
        return self._extra[-1]

    def _no_flow(self, breach: Breach, stage: str, t: float) -> None:
        """A unit that pumps nothing: the flow is an interval from zero, and the requirement on it follows from that.
        Where there is none it is that a pump must give some."""
        nothing = Reading(
            "flow", stage, math.nan, 0.0, breach.limit, combine(()), 0, 0.0, (t, t), flags=("interval", breach.code)
        )
        if any(r.quantity is Quantity.FLOW for r in self._asked[stage]):
            self._readings.setdefault((stage, "flow", None), nothing)
        else:
            some = math.nextafter(breach.limit, math.inf)
            limit = Requirement("limit flow", Quantity.FLOW, stage, at_least=some, guard=0.0)
            self._extra.append(judge(limit, nothing, stage))

    def readings(self) -> tuple[Reading, ...]:
        """All readings in the order of their stages."""
        order = list(self._asked)
        kept = sorted(self._readings.values(), key=lambda r: order.index(r.stage))
        return (*kept, *(f.reading for f in self._extra if f.reading is not None))

    def findings(self) -> tuple[Finding, ...]:
        """One finding for each requirement and each stage that it means, void where it means none, and those on limits
        of the stand."""
        found = [f for stage in self._asked for f in self.of_stage(stage)]
        return (*(self._lasting_rule(f, found[k:]) for k, f in enumerate(found)), *self._extra)

    def _lasting_rule(self, finding: Finding, later: Sequence[Finding]) -> Finding:
        """A flow that is too little, and enough without doubt or restless once the valve is open again, came and went,
        as air lets it: it fails nobody."""
        need, reading = finding.requirement, finding.reading
        if finding.result is not Result.NOT_MET or need.quantity is not Quantity.FLOW:
            return finding
        certain = replace(need, guard=max(need.guard, 1.0))
        little = judge(certain, reading, finding.stage).result is Result.NOT_MET
        again = [f for f in later if f.requirement == need and f is not finding]
        enough = any(judge(certain, f.reading, f.stage).result is Result.MET for f in again)
        if (little and enough) or any(f.stage == self.restless for f in again):
            return Finding(need, finding.stage, reading, Result.VOID)
        return finding


def _added(reading: Reading) -> float:
    """What the correction for the supply has added to a reading."""
    return max(sum(c for name, c in reading.corrections if name == SUPPLY_CORRECTION), 0.0)


def _sag_rule(finding: Finding) -> Finding:
    """A supply that sags fails nobody: a reading under it stands only where it says too much current in spite of it.

    That is the current that flowed, without what a correction to the test voltage adds: a voltage that only seems low
    would make too much of a sound unit's.
    """
    reading, most = finding.reading, finding.requirement.at_most
    if reading is None or LOW_FLAG not in reading.flags:
        return finding
    if (
        finding.requirement.quantity is Quantity.CURRENT
        and most is not None
        and reading.bounds(finding.requirement.guard)[0] - _added(reading) > most
    ):
        return finding
    return Finding(finding.requirement, finding.stage, reading, Result.VOID)
