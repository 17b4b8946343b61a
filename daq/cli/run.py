"""`steadyhead run`: one unit in the foreground; the exit code is its verdict."""

import sys
from collections.abc import Callable
from typing import TYPE_CHECKING, Annotated, Any

import typer

from daq.cli.config import DataOption, DeviceOption, load
from daq.cli.exits import BY_VERDICT, Exit
from daq.cli.options import ConfigOption, JsonOption
from daq.cli.output import complain, in_terminal, note, put, put_json

if TYPE_CHECKING:
    from daq.publish import contract as c
    from daq.stand.stand import Stand

app = typer.Typer(add_completion=False)

CONFIRMS = {
    "connect": "connected",
    "immerse": "in_fluid",
    "hold_return": "return_held",
    "open_valve": "valve_open",
    "close_valve": "valve_shut",
}
"""What Enter confirms, by what was asked; in `fill` it is `filled`."""

CONFIRMING = "Press Enter where you are asked to confirm; `abort` and Enter ends the run."
FOLLOWED = """Nothing here switches the pump: do it yourself, at once where a line says STOP."""
DRIVEN = """The stand switches the pump and moves the valve by itself: keep your hands off both while a run goes on.
In danger use the stop circuit, not this keyboard."""
AFTER_FOLLOWED = "Switch the pump off if it still runs, then take the unit off the stand."
AFTER_DRIVEN = "See that the pump is off and no pressure is left, then take the unit off the stand."
"""For whoever stands at a real bench, behind the cautions: a run may end with power on, and a program may hang."""


@app.command()
def run(
    *,
    part: Annotated[str, typer.Argument(metavar="PART", help="Part number.")],
    serial: Annotated[str | None, typer.Option("--serial", help="Serial number (default: one is assigned).")] = None,
    order: Annotated[str | None, typer.Option("--order", help="Work order.")] = None,
    operator: Annotated[str | None, typer.Option("--operator", help="Who tests.")] = None,
    config: ConfigOption = None,
    device: DeviceOption = None,
    data: DataOption = None,
    json: JsonOption = False,
) -> None:
    """Test one unit. Exit code 0 pass, 10 fail, 11 undecided, 12 void.

    It says what to do. Where it asks to confirm, press Enter once it is done;
    `abort` and Enter, or Ctrl-C, ends the run as void. The result is stored, and
    sent by the daemon of the stand when that runs.
    """
    import asyncio

    from daq.catalogue.cautions import load_cautions
    from daq.catalogue.find import find_config
    from daq.stand.request import StartRequest

    stand, catalogue = load(config, device, data)
    request = StartRequest(part, serial, order, operator)
    catalogue.entry(part)
    how = DRIVEN if stand.stand.driven else FOLLOWED
    before = "\n".join((*(f"- {c.title}" for c in load_cautions(find_config(config))), CONFIRMING, how))
    result, interrupted = asyncio.run(_Foreground(stand, catalogue, request, before, quiet=json).work())
    if json:
        from daq.publish import contract as c

        put_json(c.plain(result))
    elif not in_terminal():
        put("\t".join((result.verdict.value, result.why, result.part, result.serial, result.run)))
    raise typer.Exit(Exit.INTERRUPTED if interrupted else BY_VERDICT[result.verdict.value])


class _Foreground:
    def __init__(self, config: Any, catalogue: Any, request: Any, before: str, *, quiet: bool) -> None:
        import asyncio

        from daq.cli.show import Show
        from daq.stand.report import record

        self._config, self._catalogue, self._request = config, catalogue, request
        # Nothing but data when the output is read by a program: then progress goes to whoever sits at a terminal.
        self._before = before
        self._say = put if in_terminal() and not quiet else note
        self._show = Show(self._say)
        self._watched = sys.stderr.isatty() or (in_terminal() and not quiet)
        self._record: Callable[..., Any] = record
        self._do = ("", "")
        self._result: c.ResultData | None = None
        self._finished = asyncio.Event()
        self._interrupted = False
        self._hear_operator: Callable[[str], None] = lambda _: None

    async def work(self) -> "tuple[c.ResultData, bool]":
        """Opens everything, tests, closes everything; gives the stored result and whether it was interrupted."""
        from daq.cli.signals import on_stop
        from daq.record.async_store import AsyncStore
        from daq.stand.hold import held
        from daq.stand.stand import Stand
        from drivers.device import open_device

        store = AsyncStore(self._config.database)
        async with held(self._config, store):
            # The device last: from then on it sends, and what nobody reads meanwhile may get lost.
            device = await open_device(self._config.device)
            try:
                stand = Stand(self._config, self._catalogue, store)
                stand.listeners.append(self._hear)
                self._hear_operator = _operator_of(device)
                on_stop(lambda: self._interrupt(stand))
                await self._test(stand, device)
            finally:
                await device.close()
        if self._result is None:
            from daq.stand.errors import StandError

            raise StandError(f"device {self._config.device}: gone before the run had a verdict; look at its cable")
        return self._result, self._interrupted

    async def _test(self, stand: "Stand", device: Any) -> None:
        import asyncio

        stand.attach(device)
        if not device.virtual:
            self._say(self._before)
        await stand.start(self._request)
        if self._interrupted:  # while that was being stored
            self._interrupt(stand)
        operating = asyncio.create_task(stand.operate(device), name="stand")
        reading = None
        try:
            reading = None if device.virtual else asyncio.create_task(self._terminal(stand), name="terminal")
            waiting = asyncio.create_task(self._finished.wait())
            await asyncio.wait({waiting, operating}, return_when=asyncio.FIRST_COMPLETED)
            waiting.cancel()
        finally:
            for task in (operating, reading):
                if task is not None and not task.done():
                    task.cancel()
            await asyncio.gather(operating, *([reading] if reading else []), return_exceptions=True)
            if not device.virtual:
                self._say(AFTER_DRIVEN if self._config.stand.driven else AFTER_FOLLOWED)
        if self._result is None and operating.done() and not operating.cancelled():
            operating.result()

    async def _terminal(self, stand: "Stand") -> None:
        """Enter confirms what is asked, a word confirms that word, `abort` ends the run."""
        from daq.cli.simulate import standard_input
        from daq.stand.errors import RefusedError

        async for line in standard_input():
            now = stand.stage
            if now.about is None:
                continue
            word = line.strip()
            stage, do = self._do
            what = word or ("filled" if stage == "fill" else CONFIRMS.get(do, ""))
            try:
                if word == "abort":
                    stand.abort(now.about.run)
                elif what:
                    stand.confirm(now.about.run, what)
            except RefusedError as error:
                note(str(error))

    def _interrupt(self, stand: "Stand") -> None:
        self._interrupted = True
        stand.stop("interrupted")

    def _hear(self, said: Any) -> None:
        from daq.stand.said import Finished, Stage

        made = self._record(said, self._config.stand.channels.pressure.absolute_reference)
        if made is not None:
            self._show.hear(made)
            if not self._watched and self._result is None and (trouble := _trouble(self._config.device, made)):
                complain(trouble)
        if isinstance(said, Stage) and said.now is not None:
            self._do = (said.now.stage, said.now.do.value)
            self._hear_operator(said.now.do.value)
        if isinstance(said, Finished):
            self._result = said.data
            self._finished.set()


def _trouble(device: str, made: dict[str, Any]) -> str | None:
    """What whoever reads the errors of a program must know: an alarm, or a line that is lost."""
    if made["event"] == "alarm":
        return f"{made['text']}; {made['do']}"
    if made["event"] == "link" and made["link"] != "up":
        return made["reason"] if device in made["reason"] else f"device {device}: {made['reason']}"
    return None


def _operator_of(device: Any) -> Callable[[str], None]:
    """The simulated person at a simulated bench, who hears what is asked; nobody where the stand is real."""
    operator = getattr(device, "operator", None)
    return operator.hear if operator is not None else lambda _: None
