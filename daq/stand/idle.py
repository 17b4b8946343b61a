"""The channels between runs: what a bench display shows, and whether power is off."""

from daq.measure.channels import Channels
from daq.measure.steps import Measuring, Step
from drivers.block import Block, Identity

RENEWED_S = 60.0
"""The samples of an idle stand are thrown away so often: nothing reads them again."""
POWERED_V = 3.0
"""More than this at the terminals is power that is on; less is the rest of a capacitor. Common practice, no source."""


class Idle:
    """Measures without keeping."""

    def __init__(self, channels: Channels, identity: Identity) -> None:
        self._channels, self._identity = channels, identity
        self._measuring = Measuring(channels, identity)
        self.last: Step | None = None

    def feed(self, block: Block) -> Step | None:
        """The newest step that a block closed, if it closed one."""
        if self._measuring.trace.filled > RENEWED_S * self._identity.sample_hz:
            self._measuring = Measuring(self._channels, self._identity)
        steps = self._measuring.feed(block)
        if not steps:
            return None
        self.last = steps[-1]
        return self.last

    @property
    def powered(self) -> bool:
        """Whether power is on at the terminals."""
        return self.last is not None and self.last.voltage > POWERED_V
