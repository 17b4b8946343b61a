"""What a run said, in a form that tests can compare."""

from daq.judge.finding import Finding, Result
from daq.procedure.effects import Alarm, Noted, Outcome
from drivers.block import Input, Status, Trip
from tests.daq.procedure.bench import Bench


def findings(outcome: Outcome) -> dict[str, Result]:
    return {f"{f.stage}: {f.requirement.name}": f.result for f in outcome.findings}


def finding(outcome: Outcome, name: str) -> Finding:
    return next(f for f in outcome.findings if f.requirement.name == name)


def alarms(bench: Bench) -> list[str]:
    return [e.code for e in bench.effects if isinstance(e, Alarm)]


def notes(bench: Bench) -> list[str]:
    return [e.what for e in bench.effects if isinstance(e, Noted)]


def stages(outcome: Outcome) -> list[str]:
    return [name for name, _, _ in outcome.stages]


def tripped(trip: Trip) -> Status:
    return Status(1, 0, False, False, True, True, False, 0, 0, Input(0), trip, 0, 0, 0)
