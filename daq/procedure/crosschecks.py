"""Checks of one run's signals against each other, which cost nothing: each can make a run void, none can pass or fail a
unit."""

from daq.measure.references import Disagreement
from daq.procedure.effects import Alarm
from daq.procedure.fitness import FAULTY
from daq.procedure.guards import OFF_AND_OPEN


def faulty(found: Disagreement) -> str:
    """Why a run is void whose reference cannot be believed."""
    return f"{found.name}{FAULTY}"


def reference_alarm(found: Disagreement, stage: str, *, by_hand: bool) -> Alarm:
    """The alarm of a reference that cannot be believed; `by_hand` where a person has power and valve in hand."""
    spoilt = ", ".join(found.channels)
    text = f"stage {stage}: {found.name}: {found.text}; without it {spoilt} cannot be believed"
    return Alarm("reference_faulty", "stop", text, f"{OFF_AND_OPEN if by_hand else ''}{found.do}")
