"""What a stand refuses or cannot do."""


class StandError(Exception):
    """Root of a stand's errors; the text says what, where, expected, found and what to do."""


class RefusedError(StandError):
    """A request that cannot be carried out now; `reasons` are words a machine can read."""

    def __init__(self, text: str, reasons: tuple[str, ...] = ()) -> None:
        super().__init__(text)
        self.reasons = reasons


class HeldError(StandError):
    """The stand is not free, or its records cannot be written."""


class RequestError(RefusedError):
    """What is asked for can never be carried out as it is worded."""
