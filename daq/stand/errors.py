"""What a stand refuses or cannot do."""


class StandError(Exception):
    """Root of a stand's errors; the text says what, where, expected, found and what to do."""


class RefusedError(StandError):
    """A request that cannot be carried out now; `reasons` are words a machine can read."""

    def __init__(self, text: str, reasons: tuple[str, ...] = ()) -> None:
        super().__init__(text)
        self.reasons = reasons


BLOCKED = {
    "link_down": "the device does not answer: look at its power and cable",
    "channel_missing": "the device scans too slowly, or not all that stand.toml names: correct one of the two",
    "run_under_way": "wait for its verdict, or abort it",
    "storing": "the last verdict is not in the database yet: wait, or see the log for what keeps it",
    "disk_full": "the disk of the records has no room for a run: move old recordings and traces away",
    "power_on": "switch the unit's power off",
    "not_acknowledged": "the line has not acknowledged the newest verdict: let it, or send `acknowledge` with its seq",
    "tripped": "the device has switched off to protect itself: find out why, then restart it",
    "not_fitted": "the device lacks an output or a protective input that this stand needs: `steadyhead setup device`",
    "input_open": "close the stop circuit and the splash guard, and see to the fluid level",
}
"""Why no run can begin, in words for a machine, and what a person does about it."""


def blocked(stand: str, words: tuple[str, ...], more: dict[str, str | None]) -> RefusedError:
    """The refusal of a start, for words of BLOCKED; `more` says it better where more is known."""
    told = "; ".join(f"{word} ({more.get(word) or BLOCKED[word]})" for word in words)
    return RefusedError(f"stand {stand}: cannot start: {told}", words)


class HeldError(StandError):
    """The stand is not free, or its records cannot be written."""


class RequestError(RefusedError):
    """What is asked for can never be carried out as it is worded."""
