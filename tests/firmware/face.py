"""The one face that every firmware shows to the cases: time is lived through in spans, and nothing else moves it."""

from typing import Protocol

from simulator.coupling import Answer, Span


class Device(Protocol):
    """A firmware on a board, in this process or (simulator.coupling.Program) in one of its own."""

    def run(self, span: Span) -> Answer:
        """Lives through a span."""
        ...

    def reset(self, cause: int) -> None:
        """Resets the microcontroller; `cause` is a bit of IDENTITY.reset_cause. What is kept without power is kept."""
        ...

    def close(self) -> None:
        """Ends it; no other call may follow."""
        ...
