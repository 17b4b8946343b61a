"""The decision rule: one requirement, one reading, one finding.

With the guard band r·U a limit is met only where the whole of y ± r·U lies inside, and not met only where it lies
outside (ILAC-G8:09/2019; r = 0 is simple acceptance). The probability of conformity (JCGM 106:2012) stands beside it
and decides nothing.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum

from daq.judge.requirement import Requirement
from daq.measure.reading import Reading

_UNBELIEVED = frozenset({"above_table", "few_steps"})
"""Flags of readings that hold for nothing: beyond the meter's table, or of too little to tell the scatter."""


class Result(StrEnum):
    """What was found on one requirement."""

    MET = "met"
    NOT_MET = "not_met"
    UNDECIDED = "undecided"
    VOID = "void"


@dataclass(frozen=True, slots=True)
class Finding:
    """The judgement on one requirement in one stage; `reading` is None where there is none, and then it is void."""

    requirement: Requirement
    stage: str
    reading: Reading | None
    result: Result
    p_conform: float | None = None

    @property
    def clear(self) -> bool:
        return self.result in (Result.MET, Result.NOT_MET)


def judge(requirement: Requirement, reading: Reading | None, stage: str) -> Finding:
    """The finding on a requirement. A reading that could not be believed is no reading."""
    if reading is None or not _UNBELIEVED.isdisjoint(reading.flags):
        return Finding(requirement, stage, reading, Result.VOID)
    low, high = reading.bounds(requirement.guard)
    sides = []
    if requirement.at_least is not None:
        sides.append(_side(low >= requirement.at_least, high < requirement.at_least))
    if requirement.at_most is not None:
        sides.append(_side(high <= requirement.at_most, low > requirement.at_most))
    return Finding(requirement, stage, reading, _together(sides), conformity(requirement, reading))


def conformity(requirement: Requirement, reading: Reading) -> float | None:
    """The probability that the measurand meets the requirement; None for an interval, which has no distribution."""
    if reading.is_interval:
        return None
    p = 1.0
    if requirement.at_most is not None:
        p = reading.combined.p_below(requirement.at_most - reading.value)
    if requirement.at_least is not None:
        p -= reading.combined.p_below(requirement.at_least - reading.value)
    return min(max(p, 0.0), 1.0)


def beyond_looks(finding: Finding) -> bool:
    """Whether an undecided finding stays so however long one looks.

    That is so where the limit lies within the guard band that the systematic doubts alone make, by more than the mean
    may still move.
    """
    reading, guard = finding.reading, finding.requirement.guard
    if finding.result is not Result.UNDECIDED or reading is None or reading.is_interval:
        return False
    limits = [x for x in (finding.requirement.at_least, finding.requirement.at_most) if x is not None]
    combined = reading.combined
    nearest = min(abs(reading.value - limit) for limit in limits)
    return nearest + combined.scattering < guard * combined.floor


def _side(met: bool, not_met: bool) -> Result:
    if met:
        return Result.MET
    return Result.NOT_MET if not_met else Result.UNDECIDED


def _together(sides: Iterable[Result]) -> Result:
    sides = set(sides)
    for worst in (Result.NOT_MET, Result.UNDECIDED, Result.MET):
        if worst in sides:
            return worst
    return Result.VOID
