"""The channels between runs: what a bench display shows, whether power is off, and the zero of a stand at rest."""

from dataclasses import replace

from daq.measure.channels import Channels
from daq.measure.convert import Zero
from daq.measure.steps import Measuring, Step
from daq.measure.zero import REST_S, AtRest, Vent
from daq.procedure.signals import POWERED_V
from daq.procedure.table import Valve
from daq.procedure.valve_sensor import position_of
from daq.stand.errors import RefusedError
from drivers.block import Block, Identity, Status

RENEWED_S = 60.0
"""The samples of an idle stand are thrown away so often: nothing reads them again."""


class Idle:
    """Measures without keeping. `opened` says that the line was shown open to the air when this began."""

    def __init__(self, channels: Channels, identity: Identity, *, opened: bool = False) -> None:
        self._channels, self.identity = channels, identity
        self._measuring = Measuring(channels, identity)
        self._rest = AtRest(channels, self._measuring.converter.resolution())
        self._vent = Vent(channels.pressure.zero_limit, opened)
        self._valve: Valve | None = None
        self._zero: Zero | None = None
        self._newest: Step | None = None
        self.last: Step | None = None

    def feed(self, block: Block) -> Step | None:
        """The newest step that a block closed, if it closed one; against the zero that was taken, where one was."""
        if self._measuring.trace.filled > RENEWED_S * self.identity.sample_hz:
            self._measuring = Measuring(self._channels, self.identity)
        steps = self._measuring.feed(block)
        if not steps:
            return None
        for step in steps:
            self._rest.feed(step)
            self._vent.feed(step)
        self._newest = steps[-1]
        self.last = steps[-1] if self._zero is None else _against(self._zero, steps[-1])
        return self.last

    def status(self, status: Status) -> None:
        """Takes the device's word on the valve: sensed, or as commanded once it no longer moves. A rest with the valve
        elsewhere is none."""
        self._valve = Valve.BETWEEN if status.valve_moving else position_of(status)
        if self._valve is not None and self._valve is not Valve.OPEN:
            self._rest.disturb()
            self._vent.opened = False

    def opened(self) -> None:
        """A person says that the valve is open."""
        self._vent.opened = True

    @property
    def line_open(self) -> bool:
        """Whether the line is known to be open to the air."""
        return self._valve is Valve.OPEN or (self._valve is None and self._vent.opened)

    def take_zero(self) -> Zero:
        """The zero of the newest rest. From now on steps are given against it.

        Raises:
            RefusedError: the stand is not at rest, the line is not known to be open, or a channel's zero lies beyond
                its limit.
        """
        rest = self._rest
        if rest.shifted is not None:
            raise RefusedError(
                f"the {rest.shifted} at rest lies beyond its zero_limit: see that the line is open to the air; else "
                "check the sensor and its supply, and have it calibrated",
                ("zero_shift",),
            )
        if self.powered or not rest.resting or rest.zero is None:
            raise RefusedError(self._why_not(), ("not_at_rest",))
        if not self.line_open:
            raise RefusedError(
                "nothing shows that the line is open: pressure behind a shut valve may stand still too; open the "
                "valve, then ask again with valve_open true",
                ("line_not_open",),
            )
        if self._moved(rest.zero):
            raise RefusedError(self._why_not(), ("not_at_rest",))
        self._zero = rest.zero
        return rest.zero

    def _moved(self, zero: Zero) -> bool:
        """Whether pressure is no longer what it was at rest: then the rest was that of a line that was not open yet."""
        off = 0.0 if self._newest is None else abs(self._newest.pressure - zero.pressure)
        return off > self._channels.floor.pressure + self._measuring.converter.resolution().get("pressure", 0.0)

    def _why_not(self) -> str:
        needed = f"expected {REST_S:g} s without power, current, flow and change of pressure"
        if self.last is None:
            return f"not at rest: {needed}, found no scans yet; wait for the device"
        now = (
            f"{self.last.pressure / 1e3:.2f} kPa, {self.last.current:.2f} A and {self.last.voltage:.1f} V at the newest"
        )
        return f"not at rest: {needed}, found {now}; switch off, open the line, wait, then ask again"

    @property
    def powered(self) -> bool:
        """Whether power is on at the terminals."""
        return self.last is not None and self.last.voltage > POWERED_V


def _against(zero: Zero, step: Step) -> Step:
    return replace(step, pressure=step.pressure - zero.pressure, current=step.current - zero.current)
