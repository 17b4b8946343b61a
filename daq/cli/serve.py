"""`steadyhead serve`: the daemon of a stand, until it is told to stop."""

import sys
from collections.abc import Callable
from contextlib import suppress
from typing import Annotated, Any

import typer

from daq.cli.config import DataOption, DeviceOption, load
from daq.cli.options import ConfigOption, JsonOption
from daq.cli.output import silence

app = typer.Typer(add_completion=False)


@app.command()
def serve(
    *,
    config: ConfigOption = None,
    device: DeviceOption = None,
    data: DataOption = None,
    broker: Annotated[
        str | None, typer.Option("--broker", metavar="URL", help="mqtt://host:port instead of the configured one.")
    ] = None,
    mqtt: Annotated[
        str | None, typer.Option("--mqtt", help="MQTT version, 5 or 3.1.1, instead of the set one.")
    ] = None,
    json: JsonOption = False,
) -> None:
    """Run the daemon: takes the stand's data, judges runs that are started over MQTT, stores and tells the results.

    It ends at SIGTERM or Ctrl-C; a run under way is void then. What happens is logged to standard output.
    """
    import asyncio

    from daq.stand.daemon import Daemon

    stand, catalogue = load(config, device, data)
    stand = _with_broker(stand, broker, mqtt)
    absolute = stand.stand.channels.pressure.absolute_reference

    async def work() -> None:
        from daq.stand.report import record

        stop = asyncio.Event()
        log = _log(json, stop.set)

        def hear(said: Any) -> None:
            made = record(said, absolute)
            if made is not None:
                log(made)

        _stop_at_signals(stop)
        log({"event": "starting", "stand": f"{stand.stand.site}/{stand.stand.name}", "device": stand.device,
             "broker": stand.broker.url, "database": stand.database})  # fmt: skip
        await Daemon(stand, catalogue, hear).run(stop)
        log({"event": "stopped"})

    asyncio.run(work())


def _stop_at_signals(stop: Any) -> None:
    from daq.cli.signals import on_stop

    on_stop(stop.set)


def _with_broker(stand: Any, url: str | None, version: str | None) -> Any:
    from dataclasses import replace
    from urllib.parse import urlsplit

    broker = stand.broker
    if url is not None:
        parts = urlsplit(url)
        if parts.scheme not in ("mqtt", "mqtts") or not parts.hostname:
            raise typer.BadParameter(f"expected mqtt://HOST:PORT, found {url!r}", param_hint="--broker")
        tls = parts.scheme == "mqtts"
        broker = replace(broker, host=parts.hostname, port=parts.port or (8883 if tls else 1883), tls=tls)
    if version is not None:
        if version not in ("5", "3.1.1"):
            raise typer.BadParameter(f"expected 5 or 3.1.1, found {version!r}", param_hint="--mqtt")
        broker = replace(broker, version=version)
    return replace(stand, broker=broker)


def _log(as_json: bool, unread: Callable[[], None]) -> Callable[[dict[str, Any]], None]:
    """Log lines on standard output: for people in a terminal, JSON when piped or asked.

    A log that cannot be written, as on a full disk, keeps no verdict from being stored. `unread` is called where
    whoever read it has gone away.
    """
    import structlog

    renderer: Any = structlog.processors.JSONRenderer(ensure_ascii=False)
    if sys.stdout.isatty() and not as_json:
        renderer = structlog.dev.ConsoleRenderer()
    structlog.configure(
        processors=[structlog.processors.TimeStamper(fmt="iso", utc=True), renderer],
        logger_factory=structlog.WriteLoggerFactory(sys.stdout),
        cache_logger_on_first_use=True,
    )
    logger = structlog.get_logger()

    def write(record: dict[str, Any]) -> None:
        with suppress(OSError):
            try:
                logger.info(**record)
                sys.stdout.flush()
            except BrokenPipeError:
                silence()
                unread()

    return write
