"""Carries out what the broker asks of one stand, and words the answers."""

from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any

from daq.judge.requirement import Quantity
from daq.measure.convert import Zero
from daq.publish import contract as c
from daq.record.errors import RecordError
from daq.stand.errors import RefusedError
from daq.stand.line import Line
from daq.stand.request import StartRequest
from daq.stand.result import shown
from daq.stand.stand import Stand

_LONGEST_WHY = 200


class Orders:
    """The requests of the contract, each done by the stand or its line."""

    def __init__(self, stand: Stand, line: Line, now: Callable[[], datetime] = lambda: datetime.now(UTC)) -> None:
        self._stand, self._line, self._now = stand, line, now

    async def handle(self, name: str, command: c.Command) -> c.Reply:
        """Carries out a command; where it is refused or fails the answer says why."""
        try:
            state, more = await self._carry_out(command)
        except RefusedError as error:
            return self._reply(command, c.ReplyState.REFUSED, why=str(error)[:_LONGEST_WHY], reasons=error.reasons)
        except RecordError as error:
            return self._reply(command, c.ReplyState.FAILED, why=str(error)[:_LONGEST_WHY], reasons=("record",))
        return self._reply(command, state, **more)

    async def _carry_out(self, command: c.Command) -> tuple[c.ReplyState, dict[str, Any]]:
        if isinstance(command, c.Start):
            request = StartRequest(command.part, command.serial, command.order, command.operator)
            return c.ReplyState.ACCEPTED, {"run": await self._stand.start(request)}
        if isinstance(command, c.Confirm):
            self._stand.confirm(command.run, command.what.value)
            return c.ReplyState.DONE, {"run": command.run}
        if isinstance(command, c.Abort):
            self._stand.abort(command.run)
            return c.ReplyState.DONE, {"run": command.run}
        if isinstance(command, c.Acknowledge):
            return c.ReplyState.DONE, {"run": await self._line.acknowledge(command.seq)}
        if isinstance(command, c.Resend):
            await self._line.send_again(command.from_seq)
            return c.ReplyState.DONE, {}
        assert isinstance(command, c.Zero), f"a command of the contract that nobody carries out: {command}"
        return c.ReplyState.DONE, {"zero": self._shift(await self._stand.zero(valve_open=command.valve_open))}

    def _shift(self, zero: Zero) -> c.Shift:
        absolute = self._stand.config.stand.channels.pressure.absolute_reference
        pressure, current = shown(Quantity.PRESSURE, zero.pressure, absolute), shown(Quantity.CURRENT, zero.current)
        assert pressure is not None
        assert current is not None
        return c.Shift(pressure=pressure, current=current)

    def _reply(self, command: c.Command, state: c.ReplyState, *, why: str = "", **more: Any) -> c.Reply:
        return c.Reply(request_id=command.request_id, state=state, why=why, time=self._now(), **more)
