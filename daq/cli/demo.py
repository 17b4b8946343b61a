"""`steadyhead demo`: a simulated stand, a broker and the daemon, testing several invented units one after another."""

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from daq.cli.options import ConfigOption, JsonOption
from daq.cli.output import put, put_record

if TYPE_CHECKING:
    from daq.catalogue.stand_file import StandConfig
    from daq.cli.broker import Broker
    from daq.cli.demo_stand import DemoStand, Hear

app = typer.Typer(add_completion=False)

UNITS = ("good-pump", "weak-pump", "module", "module-return", "sagging-supply")
"""A good pump, a weak one, a module, a module with return line, and one on a supply that sags."""


@app.command()
def demo(
    *,
    fast: Annotated[bool, typer.Option("--fast", help="Faster than real time, and end afterwards.")] = False,
    data: Annotated[
        Path, typer.Option("--data", metavar="DIR", readable=False, help="Where database, recordings and traces lie.")
    ] = Path("steadyhead-data/demo"),
    config: ConfigOption = None,
    json: JsonOption = False,
) -> None:
    """Show it all: a simulated stand on a pseudo-terminal, an MQTT broker and the daemon testing several units.

    It stays up until Ctrl-C; with --fast it simulates in one process, as fast as it can, and ends by itself. With
    --json it writes one object a line.
    """
    import asyncio

    from daq.catalogue.cautions import load_cautions
    from daq.catalogue.find import find_config
    from daq.cli.config import load
    from daq.cli.demo_text import DemoShow

    directory = find_config(config)
    stand, _ = load(directory, "sim://depot/good-pump", data)
    tell: Hear = put_record if json else DemoShow(_say).hear
    tell({"event": "demonstration", "cautions": [caution.title for caution in load_cautions(directory)]})
    asyncio.run(_show(directory, stand, data, tell, fast=fast))


async def _show(directory: Path, stand: "StandConfig", data: Path, tell: "Hear", *, fast: bool) -> None:
    import asyncio
    import signal

    from daq.cli.broker import demo_broker
    from daq.cli.demo_stand import FastStand, LiveStand

    stopped = asyncio.Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        asyncio.get_running_loop().add_signal_handler(number, stopped.set)
    async with demo_broker() as broker:
        tell(_where(stand, broker))
        made: DemoStand = (FastStand if fast else LiveStand)(directory, data, broker, tell)
        work = asyncio.create_task(_test_all(made, stand, broker, tell), name="demonstration")
        waiting = asyncio.create_task(stopped.wait(), name="Ctrl-C")
        ended = asyncio.create_task(made.ended(), name="a part of the stand that ended by itself")
        await asyncio.wait({work, waiting, ended}, return_when=asyncio.FIRST_COMPLETED)
        if work.done() and not work.exception() and not fast:
            tell({"event": "all_tested"})
            await asyncio.wait({waiting, ended}, return_when=asyncio.FIRST_COMPLETED)
        for task in (work, waiting, ended):
            task.cancel()
        results = await asyncio.gather(work, ended, return_exceptions=True)
        await made.close()
        for error in results:
            if isinstance(error, Exception):
                raise error
    tell({"event": "over", "files": str(data)})


async def _test_all(made: "DemoStand", stand: "StandConfig", broker: "Broker", tell: "Hear") -> None:
    from json import loads

    from daq.cli.demo_client import client

    await made.open()
    async with client(stand, broker, made) as asking:
        for unit in UNITS:
            part, serial = await made.mount(unit)
            verdict = await asking.test(part, serial)
            tell({"event": "verdict", "topic": asking.topics.of("verdict"), "payload": loads(verdict)})


def _where(stand: "StandConfig", broker: "Broker") -> dict[str, object]:
    """What to subscribe to, and where the records lie."""
    return {
        "event": "where",
        "kind": broker.kind,
        "host": broker.host,
        "port": broker.port,
        "topics": f"{stand.root}/v1/{stand.stand.site}/{stand.stand.name}/#",
        "database": stand.database,
        "files": str(stand.data),
    }


def _say(text: str) -> None:
    put(text)
    sys.stdout.flush()
