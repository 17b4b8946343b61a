"""`steadyhead serve`: the daemon of a stand, until it is told to stop."""

from pathlib import Path
from typing import Annotated, Any

import typer

from daq.cli.config import DataOption, DeviceOption, load
from daq.cli.options import JsonOption
from daq.cli.output import silence

app = typer.Typer(add_completion=False)


@app.command()
def serve(
    *,
    config: Annotated[
        list[Path] | None,
        typer.Option(
            "--config",
            metavar="PATH",
            readable=False,
            help="Configuration directory, or a stand's file in one (default: $STEADYHEAD_CONFIG, ./config, …); may be "
            "given again for another stand.",
        ),
    ] = None,
    device: DeviceOption = None,
    data: DataOption = None,
    broker: Annotated[
        str | None, typer.Option("--broker", metavar="URL", help="mqtt://host:port instead of the configured one.")
    ] = None,
    mqtt: Annotated[
        str | None, typer.Option("--mqtt", help="MQTT version, 5 or 3.1.1, instead of the set one.")
    ] = None,
    probe: Annotated[
        int | None,
        typer.Option(
            "--probe",
            metavar="PORT",
            envvar="STEADYHEAD_PROBE",
            min=0,
            max=65535,
            help="Answer /live, /ready and /metrics on this port of 127.0.0.1; 0 lets the system choose.",
        ),
    ] = None,
    json: JsonOption = False,
) -> None:
    """Run the daemon: takes the stand's data, judges runs that are started over MQTT, stores and tells the results.

    With several configurations it works several stands; one that fails is begun again while the others go on. It ends
    at SIGTERM or Ctrl-C; a run under way is void then. At SIGHUP it reads the configuration again, between runs. What
    happens is logged to standard output.
    """
    import asyncio

    from daq.catalogue.find import find_configs
    from daq.watch.service import Service

    def reader(place: Path) -> Any:
        def read() -> Any:
            stand, catalogue = load(place, device, data)
            return _with_broker(stand, broker, mqtt), catalogue

        return read

    places = find_configs(config or ())
    if device is not None and len(places) > 1:
        raise typer.BadParameter(
            "expected one configuration beside it, since each stand has its own device", param_hint="--device"
        )
    readers = [reader(place) for place in places]
    stands = [(read(), read) for read in readers]

    async def work() -> None:
        stop, reload = asyncio.Event(), asyncio.Event()
        log = _log(json, stop.set)
        _stop_at_signals(stop)
        _reload_at_signals(reload)
        await Service(stands, log, probe=probe).run(stop, reload)

    asyncio.run(work())


def _stop_at_signals(stop: Any) -> None:
    from daq.cli.signals import on_stop

    on_stop(stop.set)


def _reload_at_signals(reload: Any) -> None:
    import asyncio
    import signal

    asyncio.get_running_loop().add_signal_handler(signal.SIGHUP, reload.set)


def _with_broker(stand: Any, url: str | None, version: str | None) -> Any:
    from dataclasses import replace

    from daq.catalogue.stand_tables import broker_at

    broker = stand.broker
    if url is not None:
        at = broker_at(url)
        if at is None:  # it may hold a password, so it is not repeated
            raise typer.BadParameter(
                "expected mqtt://HOST:PORT or mqtts://HOST:PORT with a port from 1 to 65535, and no user in it; user "
                "and password file go into stand.toml",
                param_hint="--broker",
            )
        scheme, host, port = at
        broker = replace(broker, host=host, port=port, tls=scheme == "mqtts")
    if version is not None:
        if version not in ("5", "3.1.1"):
            raise typer.BadParameter(f"expected 5 or 3.1.1, found {version!r}", param_hint="--mqtt")
        broker = replace(broker, version=version)
    return replace(stand, broker=broker)


def _log(as_json: bool, unread: Any) -> Any:
    """See `daq.watch.log.Log`; a reader that has gone away is heard of, and written for no more."""
    from daq.watch.log import Log

    def gone() -> None:
        silence()
        unread()

    return Log(as_json=as_json, unread=gone)
