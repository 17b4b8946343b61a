"""What the simulator raises on misuse; whatever comes over a line never raises."""


class SimulatorError(Exception):
    """Root of what the simulator raises. The text says what, where, expected, found and what to do."""


class ScenarioError(SimulatorError):
    """A scenario that cannot be read."""


class RecordingError(SimulatorError):
    """A recording that cannot be played."""


class ProgramError(SimulatorError):
    """A firmware in a process of its own that cannot be started, or does not do as it should."""


class UnknownNameError(SimulatorError):
    """A unit, fault or word that is not known."""


def unknown(what: str, name: str, known: list[str]) -> UnknownNameError:
    """The error for a name that is not among those known."""
    return UnknownNameError(f"{what} {name!r} is not known; known are: {', '.join(sorted(known))}")
