"""Signs: what the findings, readings and waveforms of a run say about the unit, each with the statement it rests on.

A sign is a subject and its state, such as `flow low`. It is only as good as the requirement that it leans on: where a
part states no limit there is no sign. What counts as an odd waveform or as far too much current is common practice, no
source.
"""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from daq.judge.finding import Finding, Result, judge
from daq.judge.requirement import Quantity
from daq.judge.shown import amount, limits_text, reading_text, stage_text
from daq.measure.reading import Reading
from daq.measure.waveform import Waveform

SUPPLY_LOW = "supply_low"
"""The flag of a reading that was taken although the supply was below its tolerance."""
FAR = 2.0
"""So many times its limit a current is far too high: a motor that stands, not one that labours."""
ODD, ODD_DOUBTS = 0.3, 5.0
"""A hump that is so much off the others, as a share of them, is odd, if that is so many standard uncertainties."""
NEAR = 0.1
"""A limit is near where a reading that meets it lies within that share of it; of a band no limit is far."""
HALF = 0.5
"""The weight of a sign that is not clear: of a reading near its limit, or of one in an earlier stage of its kind."""

_SUBJECTS = {
    (Quantity.FLOW, "free_flow"): ("flow",),
    (Quantity.FLOW, "rated"): ("curve",),
    (Quantity.PRESSURE, "rated"): ("curve",),
    (Quantity.PRESSURE, "shutoff"): ("shutoff",),
    (Quantity.PRESSURE, "throttle"): ("shutoff",),
    (Quantity.PEAK_PRESSURE, "shutoff"): ("shutoff",),
    (Quantity.CURRENT, "free_flow"): ("current", "open current"),
    (Quantity.POWER, "free_flow"): ("current", "open current"),
}
_ANYWHERE = {
    Quantity.CURRENT: ("current",),
    Quantity.POWER: ("current",),
    Quantity.SPEED: ("speed",),
    Quantity.EFFICIENCY: ("efficiency",),
    Quantity.RESIDUAL_PRESSURE: ("residual",),
    Quantity.FILL_TIME: ("fill",),
    Quantity.VOLTAGE: ("supply",),
}
"""Subjects by quantity and stage, and by quantity wherever it was read. `curve` is what a place between free flow and
shutoff gives, `open current` that with the valve open."""

_OVER = frozenset({"over_current", "trip_over_current"})
_SUBJECT_NAMES = {s for names in (*_SUBJECTS.values(), *_ANYWHERE.values()) for s in names}
SIGNS = frozenset(
    {f"{subject} {state}" for subject in _SUBJECT_NAMES for state in ("low", "ok", "high")}
    | {f"{channel} unsteady" for channel in ("flow", "pressure", "current")}
    | {"flow steady", "flow none", "current none", "current far", "waveform odd", "waveform even"}
)
"""All that there can be."""


@dataclass(frozen=True, slots=True)
class Sign:
    """What was seen, one of SIGNS; how clear it is, 1 or HALF; and the statement that tells it."""

    name: str
    strength: float
    said: str


def signs_of(
    findings: Sequence[Finding],
    readings: Sequence[Reading],
    waveforms: Mapping[str, Waveform],
    *,
    ended: str,
    current_floor: float,
) -> tuple[Sign, ...]:
    """All signs of a run. `ended` is how the unit or its supply ended the run early, in the words of the verdict's
    reason, empty otherwise; below `current_floor` (A) a current is as good as none."""
    return (
        *_of_findings(_with_siblings(findings, readings)),
        *_of_readings(readings, current_floor),
        *(_of_waveform(stage, wave) for stage, wave in waveforms.items() if wave.irregularity is not None),
        *_of_the_end(ended),
    )


def _with_siblings(findings: Sequence[Finding], readings: Sequence[Reading]) -> list[tuple[Finding, float]]:
    """Findings with their weight. Where a stage was not reached, one of the same name that was tells something too."""
    judged = [f for f in findings if f.reading is not None]
    weighed = [(f, HALF if f.result is Result.UNDECIDED or _is_near(f) else 1.0) for f in judged]
    for missing in findings:
        asked = missing.requirement
        if missing.reading is not None or any(f.requirement == asked for f in judged):
            continue
        alike = [r for r in readings if r.quantity == asked.quantity and _base(r.stage) == _base(missing.stage)]
        weighed += [(judge(asked, r, r.stage), HALF) for r in alike]
    return weighed


def _is_near(finding: Finding) -> bool:
    """Whether a limit is hardly met."""
    low, high, reading = finding.requirement.at_least, finding.requirement.at_most, finding.reading
    limit = high if low is None else low
    if finding.result is not Result.MET or None not in (low, high) or limit is None or reading is None:
        return False
    return min(abs(reading.low - limit), abs(reading.high - limit)) < NEAR * abs(limit)


def _of_findings(weighed: Sequence[tuple[Finding, float]]) -> list[Sign]:
    """A subject is `ok` only where nothing on it is amiss, and no more so than where it is least."""
    by_subject: dict[str, list[Sign]] = defaultdict(list)
    for finding, weight in weighed:
        for subject in _subjects(finding):
            by_subject[subject] += [Sign(f"{subject} {state}", weight, _told(finding)) for state in _states(finding)]
    signs = []
    for subject, found in by_subject.items():
        amiss = [s for s in found if s.name != f"{subject} ok"]
        signs += amiss or [replace(s, strength=min(s.strength for s in found)) for s in found]
    return signs


def _subjects(finding: Finding) -> tuple[str, ...]:
    quantity, stage = finding.requirement.quantity, _base(finding.stage)
    if stage == "dry_check" and finding.result is Result.MET:
        return ()  # within its wide band it says that the motor turns and nothing more
    return _SUBJECTS.get((quantity, stage), _ANYWHERE.get(quantity, ()))


def _states(finding: Finding) -> tuple[str, ...]:
    reading, requirement = finding.reading, finding.requirement
    if reading is None or finding.result is Result.VOID:
        return ()
    if finding.result is Result.MET:
        return ("ok",)
    low, high = requirement.at_least, requirement.at_most
    middle = 0.5 * (reading.low + reading.high)
    if low is not None and (high is None or abs(middle - low) < abs(middle - high)):
        nothing = requirement.quantity is Quantity.FLOW and reading.is_interval and reading.low <= 0.0
        return ("none",) if nothing else ("low",)
    return ("far",) if _is_far(finding, reading) else ("high",)


def _is_far(finding: Finding, reading: Reading) -> bool:
    most = finding.requirement.at_most
    if finding.requirement.quantity is not Quantity.CURRENT or most is None or finding.result is not Result.NOT_MET:
        return False
    return reading.low > FAR * most or not _OVER.isdisjoint(reading.flags)


def _told(finding: Finding) -> str:
    assert finding.reading is not None
    how = {Result.MET: ": hardly met" if _is_near(finding) else ": met", Result.UNDECIDED: ": too close to tell"}.get(
        finding.result, ""
    )
    return f"{reading_text(finding.reading)}, {limits_text(finding.requirement)}{how}"


def _of_readings(readings: Iterable[Reading], current_floor: float) -> list[Sign]:
    signs = []
    for r in readings:
        if SUPPLY_LOW in r.flags:
            signs.append(Sign("supply low", 1.0, f"{reading_text(r)}, read under a supply below its tolerance"))
        elif r.quantity == Quantity.CURRENT and r.low < current_floor:
            signs.append(Sign("current none", 1.0, f"{reading_text(r)}, as good as none"))
        elif r.quantity == Quantity.FLOW and not r.is_interval and _base(r.stage) == "free_flow":
            signs.append(Sign("flow steady", 1.0, f"{reading_text(r)}, and it held still"))
    return signs


def _of_waveform(stage: str, wave: Waveform) -> Sign:
    assert wave.irregularity is not None
    typical = float(np.median(wave.heights))
    odd = wave.irregularity > max(ODD, ODD_DOUBTS * wave.height_doubt / typical)
    worst = float(wave.heights[np.abs(wave.heights - typical).argmax()])
    said = f"{stage_text(stage)}: waveform of the current, a hump of {amount('current', worst)} where the usual one has"
    return Sign(f"waveform {'odd' if odd else 'even'}", 1.0, f"{said} {amount('current', typical)}")


def _of_the_end(ended: str) -> list[Sign]:
    channel, _, rest = ended.partition(" ")
    if rest == "not steady":
        return [Sign(f"{channel} unsteady", 1.0, f"{channel} did not hold still until the stage's time was over")]
    if "supply low" in ended:
        return [Sign("supply low", 1.0, "the run ended since the supply stayed below its tolerance")]
    return []


def _base(stage: str) -> str:
    return stage.partition(".")[0]
