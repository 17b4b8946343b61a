"""`steadyhead demo`: a simulated stand, a broker and the daemon, testing several invented units one after another."""

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from daq.cli.options import ConfigOption
from daq.cli.output import put

if TYPE_CHECKING:
    from daq.catalogue.stand_file import StandConfig
    from daq.cli.broker import Broker
    from daq.cli.demo_stand import DemoStand

app = typer.Typer(add_completion=False)

UNITS = ("good-pump", "weak-pump", "module", "module-return", "sagging-supply")
"""A good pump, a weak one, a module, a module with return line, and one on a supply that sags."""


@app.command()
def demo(
    *,
    fast: Annotated[bool, typer.Option("--fast", help="Faster than real time, and end afterwards.")] = False,
    data: Annotated[
        Path, typer.Option("--data", metavar="DIR", help="Where database, recordings and traces lie.")
    ] = Path("steadyhead-data/demo"),
    config: ConfigOption = None,
) -> None:
    """Show it all: a simulated stand on a pseudo-terminal, an MQTT broker and the daemon testing several units.

    It stays up until Ctrl-C; with --fast it simulates in one process, as fast as it can, and ends by itself.
    """
    import asyncio

    from daq.catalogue.cautions import load_cautions
    from daq.catalogue.find import find_config
    from daq.cli.config import load

    directory = find_config(config)
    stand, _ = load(directory, "sim://depot/good-pump", data)
    _say("Nothing here is real: the stand, its pumps and their numbers are simulated. On a real bench:")
    for caution in load_cautions(directory):
        _say(f"  - {caution.title}")
    asyncio.run(_show(directory, stand, data, fast=fast))


async def _show(directory: Path, stand: "StandConfig", data: Path, *, fast: bool) -> None:
    import asyncio
    import signal

    from daq.cli.broker import demo_broker
    from daq.cli.demo_stand import FastStand, LiveStand
    from daq.cli.show import Show

    show = Show(_say)
    stopped = asyncio.Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        asyncio.get_running_loop().add_signal_handler(number, stopped.set)
    async with demo_broker() as broker:
        _tell_where(stand, broker)
        made: DemoStand = (FastStand if fast else LiveStand)(directory, data, broker, show.hear)
        work = asyncio.create_task(_test_all(made, stand, broker), name="demonstration")
        waiting = asyncio.create_task(stopped.wait(), name="Ctrl-C")
        ended = asyncio.create_task(made.ended(), name="a part of the stand that ended by itself")
        await asyncio.wait({work, waiting, ended}, return_when=asyncio.FIRST_COMPLETED)
        if work.done() and not work.exception() and not fast:
            _say("\nAll units are tested. The stand stays up for your subscriber; Ctrl-C stops it.")
            await asyncio.wait({waiting, ended}, return_when=asyncio.FIRST_COMPLETED)
        for task in (work, waiting, ended):
            task.cancel()
        results = await asyncio.gather(work, ended, return_exceptions=True)
        await made.close()
        for error in results:
            if isinstance(error, Exception):
                raise error
    _say(f"stopped; the records are in {data}")


async def _test_all(made: "DemoStand", stand: "StandConfig", broker: "Broker") -> None:
    from daq.cli.demo_client import client

    await made.open()
    async with client(stand, broker, made) as asking:
        for unit in UNITS:
            part, serial = await made.mount(unit)
            verdict = await asking.test(part, serial)
            _say(f"{'':<10} MQTT {asking.topics.of('verdict')} {verdict}")


def _tell_where(stand: "StandConfig", broker: "Broker") -> None:
    base = f"{stand.root}/v1/{stand.stand.site}/{stand.stand.name}"
    _say(f"\nbroker:  {broker.kind} on {broker.url}; to listen, in another terminal:")
    _say(f"         mosquitto_sub -h {broker.host} -p {broker.port} -v -t '{base}/#'")
    _say(f"records: steadyhead runs list --database {stand.database}")
    _say(f"files:   {stand.data} (recordings, traces)")


def _say(text: Any) -> None:
    put(str(text))
    sys.stdout.flush()
