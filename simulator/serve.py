"""A simulated stand that other programs connect to, steered by lines of text."""

import asyncio
import json
from collections.abc import AsyncIterator, Callable
from contextlib import closing

from simulator.adapter import serve_pty, serve_tcp
from simulator.errors import SimulatorError, unknown
from simulator.faults import TABLE
from simulator.rig import Rig
from simulator.scenario import load_scenario
from simulator.scenario_keys import INPUTS

QUICK = 0.5
"""Seconds from end to end when a line moves the valve."""


async def simulate(
    scenario: str,
    unit: str,
    *,
    pace: float,
    script: bool,
    seed: int,
    tcp: tuple[str, int] | None,
    lines_in: AsyncIterator[str],
    say: Callable[[str], None],
    program: str = "",
) -> None:
    """Serves a scenario's unit on a pseudo-terminal, or on TCP at (host, port). With a `program` the firmware is that.

    Says the device's address first, then `confirm WORD` whenever the person at the bench confirms something, and
    `error …` for a line that makes no sense. Lines are those of `Steering`. It ends at `quit`, when the line is
    unplugged, and when `lines_in` ends after at least one line: whoever steered is gone then. An input that was empty
    from the start steers nothing.

    Raises:
        SimulatorError: the scenario, the unit or the program is not there or makes no sense.
    """
    with closing(Rig(load_scenario(scenario), unit, seed, script=script, program=program)) as rig:
        await _serve(rig, pace, tcp, lines_in, say)


async def _serve(
    rig: Rig, pace: float, tcp: tuple[str, int] | None, lines_in: AsyncIterator[str], say: Callable[[str], None]
) -> None:
    def confirm() -> None:
        for word in rig.bench.operator.take_confirmations():
            say(f"confirm {word}")

    line, running = await (serve_pty(rig, pace, confirm) if tcp is None else serve_tcp(rig, pace, *tcp, after=confirm))
    say(line.address)
    steering = asyncio.create_task(_steer(Steering(rig), lines_in, say), name="steering of a simulated device")
    try:
        done, _ = await asyncio.wait({running, steering}, return_when=asyncio.FIRST_COMPLETED)
        if running in done:
            running.result()
        elif not steering.result():
            await running
    finally:
        for task in (running, steering):
            task.cancel()
        await asyncio.gather(running, steering, return_exceptions=True)
        await line.close()


async def _steer(steering: "Steering", lines_in: AsyncIterator[str], say: Callable[[str], None]) -> bool:
    """Takes lines in until `quit` or their end; False where none came."""
    any_line = False
    async for line in lines_in:
        any_line = True
        try:
            if not steering.take(line.strip()):
                break
        except SimulatorError as error:
            say(f"error {error}")
    return any_line


class Steering:
    """What a line of text does: `do WORD`, `unit NAME`, `fault NAME`, `power on|off`, `valve 0…1`,
    `input NAME open|closed`, `quit`, or a JSON object whose "do" is heard."""

    def __init__(self, rig: Rig) -> None:
        self._rig = rig

    def take(self, line: str) -> bool:
        """Does what the line says; False for `quit`.

        Raises:
            SimulatorError: it makes no sense.
        """
        if line.startswith("{"):
            self._payload(line)
            return True
        verb, _, rest = line.partition(" ")
        if verb in {"quit", ""}:
            return verb == ""
        action = {
            "do": self._do,
            "unit": self._unit,
            "fault": self._fault,
            "power": self._power,
            "valve": self._valve,
            "input": self._input,
        }
        if verb not in action:
            raise unknown("line", verb, [*action, "quit"])
        action[verb](rest.strip())
        return True

    def _payload(self, line: str) -> None:
        try:
            found = json.loads(line)
        except ValueError as error:
            raise SimulatorError(f"a line that begins as JSON but is none: {error}") from error
        if isinstance(found.get("do"), str):
            self._do(found["do"])

    def _do(self, word: str) -> None:
        self._rig.bench.operator.hear(word)

    def _unit(self, name: str) -> None:
        self._rig.bench.mount(name)

    def _fault(self, name: str) -> None:
        if name.split(":", maxsplit=1)[0] in TABLE:
            self._rig.faults.add(name, self._rig.time)
        else:
            self._rig.bench.add_fault(name)

    def _power(self, word: str) -> None:
        if word not in {"on", "off"}:
            raise unknown("power", word, ["on", "off"])
        self._rig.bench.switch(word == "on")

    def _valve(self, word: str) -> None:
        try:
            travel = float(word)
        except ValueError as error:
            raise SimulatorError(f"valve {word!r}: expected a number from 0 (shut) to 1 (open)") from error
        self._rig.bench.aim_valve(travel, QUICK)

    def _input(self, words: str) -> None:
        name, _, state = words.partition(" ")
        if name not in INPUTS:
            raise unknown("input", name, list(INPUTS))
        if state not in {"open", "closed"}:
            raise unknown(f"state of input {name}", state, ["open", "closed"])
        which, bench = INPUTS[name], self._rig.bench
        if not which & bench.scenario.device.inputs_fitted:
            raise SimulatorError(f"input {name!r}: not fitted to this stand; take scenario driven, or fit it there")
        if state == "open":
            bench.open_input(which)
        else:
            bench.close_input(which)
