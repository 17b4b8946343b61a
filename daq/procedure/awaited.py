"""A fast capture that a stage asked for, from the asking to its coming."""

WAIT_S = 3.0
"""So long a stage waits for a capture; a device that cannot give it holds up no run."""


class Awaited:
    """At most one capture is waited for. `stage` is the one that asked, None while none is due; `holds` that it goes on
    only with the capture; `unfit` is what was not as it should meanwhile, empty for nothing."""

    def __init__(self) -> None:
        self.stage: str | None = None
        self.holds = False
        self.unfit = ""
        self._from = 0.0

    def ask(self, stage: str, t: float, *, holds: bool) -> None:
        """A stage asks at `t` seconds of the run."""
        self.stage, self.holds, self.unfit, self._from = stage, holds, "", t

    def taken(self, t: float) -> str | None:
        """The stage that a capture is for which began at `t`: None for one that began before it was asked for, which
        shows what was before, and for one that nobody waits for."""
        stage = self.stage
        if stage is None or t < self._from:
            return None
        self.stage = None
        return stage

    def given_up(self, t: float) -> str | None:
        """The stage that has waited in vain; None while it still waits, or does not."""
        stage = self.stage
        if stage is None or t < self._from + WAIT_S:
            return None
        self.stage = None
        return stage
