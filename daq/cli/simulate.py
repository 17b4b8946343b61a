"""`steadyhead simulate`: a stand that does not exist, on a pseudo-terminal or TCP, for whatever wants to read one."""

import sys
from collections.abc import AsyncIterator
from contextlib import suppress
from itertools import chain
from typing import Annotated

import typer

from daq.cli.options import JsonOption
from daq.cli.output import note, put, put_record

app = typer.Typer(add_completion=False)


@app.command()
def simulate(
    *,
    scenario: Annotated[str, typer.Argument(metavar="SCENARIO", help="A scenario's name or file.")] = "depot",
    unit: Annotated[str | None, typer.Option("--unit", help="The unit on the bench (default: the first).")] = None,
    seed: Annotated[int, typer.Option("--seed", help="Of everything drawn at random.")] = 1,
    pace: Annotated[float, typer.Option("--pace", min=0.01, help="Simulated seconds in a second.")] = 1.0,
    script: Annotated[bool, typer.Option("--script", help="Let the scenario's time script move the operator.")] = False,
    tcp: Annotated[
        str | None, typer.Option("--tcp", metavar="HOST:PORT", help="Serve TCP instead; port 0 picks one.")
    ] = None,
    firmware: Annotated[
        str,
        typer.Option(
            "--firmware", metavar="'PROGRAM ARGS'", help="Firmware in a program of its own, on the same stand."
        ),
    ] = "",
    json: JsonOption = False,
) -> None:
    """Simulate a stand. Prints the device's address, then what the operator confirms.

    Lines on standard input steer it: `do WORD`, `fault NAME` and others, which it lists when it begins.
    """
    import asyncio

    from simulator.scenario import load_scenario
    from simulator.serve import simulate as serve
    from simulator.words import WORDS

    names = list(load_scenario(scenario).units)
    note("steering: do WORD, unit NAME, fault NAME, power on|off, valve 0…1, input NAME open|closed; quit or Ctrl-C")
    note(f"words: {', '.join(sorted(WORDS - {'wait', 'none'}))}")
    note(f"units: {', '.join(names)}")
    asyncio.run(
        serve(
            scenario,
            unit or names[0],
            pace=pace,
            script=script,
            seed=seed,
            tcp=None if tcp is None else _host_and_port(tcp),
            lines_in=standard_input(),
            say=_say_json if json else _say,
            program=firmware,
        )
    )


def _host_and_port(text: str) -> tuple[str, int]:
    host, _, port = text.rpartition(":")
    if not host or not port.isdecimal() or int(port) > 65535:
        raise typer.BadParameter(f"expected HOST:PORT such as 127.0.0.1:5025, found {text!r}", param_hint="--tcp")
    return host.strip("[]"), int(port)


def _say(text: str) -> None:
    put(text)
    sys.stdout.flush()


def _say_json(text: str) -> None:
    """The address under `device`, else the line's first word with the rest of it."""
    key, _, rest = text.partition(" ")
    put_record({key: rest} if rest else {"device": text})


async def standard_input() -> AsyncIterator[str]:
    """Lines of standard input. Read in a thread that does not keep the process, since a file cannot be waited for."""
    import asyncio
    import threading

    lines: asyncio.Queue[str] = asyncio.Queue()
    loop = asyncio.get_running_loop()

    def read() -> None:
        with suppress(RuntimeError):  # the loop has ended: nobody listens any more
            for line in chain(sys.stdin, [""]):
                loop.call_soon_threadsafe(lines.put_nowait, line)

    threading.Thread(target=read, name="standard input", daemon=True).start()
    while line := await lines.get():
        yield line
