"""What `steadyhead setup device` does with a device: opens it, watches it, and shows what it says."""

import asyncio
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import aclosing, contextmanager
from pathlib import Path
from time import monotonic
from typing import TYPE_CHECKING

from daq.catalogue.errors import CatalogueError
from daq.catalogue.load import load_stand
from daq.cli.config import configuration
from daq.cli.exits import Exit
from daq.cli.output import in_terminal, put, put_json, put_record
from daq.cli.setup_device_json import as_json
from daq.cli.setup_device_view import Opened, channel_row, in_terminal_width, put_sections, sections
from daq.cli.setup_device_words import pulse_name, pulse_text
from daq.cli.setup_ports import is_missing, name_remark, tell_missing
from daq.stand.bringup import watch_device
from daq.stand.bringup_checks import Remark, remarks
from daq.stand.hold import refuse_worked
from daq.stand.seen import Seen
from drivers.device import Device, open_device

if TYPE_CHECKING:
    from daq.catalogue.stand_file import StandConfig

LIVE_S = 1.0
"""Seconds of each view of a device that is watched live."""
WITHOUT_STAND = Remark(
    False, "stand.toml cannot be read, so there are no quantities", "`steadyhead parts check` names every mistake"
)

Tell = Callable[[Opened, Seen, Sequence[Remark]], None]


def look(config: Path | None, address: str | None, seconds: float, *, live: bool, json: bool) -> Exit:
    """Shows the device for `seconds`, or until Ctrl-C. Switches nothing but its stream of scans.

    A stand's file that cannot be read is no obstacle where an address is given: counts and volts need none.

    Raises:
        CatalogueError: it cannot be read, and nothing else says where the device is.
        HeldError: the daemon or a run works with it.
        DriverError: the device cannot be opened.
    """
    stand: StandConfig | None = None
    try:
        stand = load_stand(configuration(config))
        place = address or stand.device
    except CatalogueError:
        if address is None:
            raise
        place = address
    if is_missing(place):
        return tell_missing(place, json=json)
    if stand is not None and place == stand.device:
        refuse_worked(stand)
    return _watched(place, stand, seconds, live=live, json=json)


def _watched(address: str, stand: "StandConfig | None", seconds: float, *, live: bool, json: bool) -> Exit:
    reference = None
    if stand is not None:
        reference = "absolute" if stand.stand.channels.pressure.absolute_reference else "gauge"
    try:
        with _teller(live, json, reference) as tell:
            return asyncio.run(_show(address, stand, None if live else seconds, tell))
    except KeyboardInterrupt:
        if live:
            return Exit.PASS
        raise


async def _show(address: str, config: "StandConfig | None", seconds: float | None, tell: Tell) -> Exit:
    began = monotonic()
    device = await open_device(address)
    try:
        opened = _opened(device, config, monotonic() - began)
        stand = None if config is None else config.stand
        besides = [r for r in (None if stand else WITHOUT_STAND, name_remark(address)) if r is not None]
        ended = Exit.INTERNAL
        windows = watch_device(device, stand.channels if stand else None, seconds or LIVE_S)
        async with aclosing(windows):
            async for seen in windows:
                found = [*remarks(seen, stand), *besides]
                tell(opened, seen, found)
                ended = Exit.INTERNAL if any(remark.blocks for remark in found) else Exit.PASS
                if seconds is not None:
                    break
                if device.virtual:
                    await asyncio.sleep(LIVE_S)
        return ended
    finally:
        await device.close()


def _opened(device: Device, config: "StandConfig | None", took: float) -> Opened:
    stand = "" if config is None else f"{config.stand.site}/{config.stand.name}"
    return Opened(device.address.text, device.simulated, device.virtual, stand, took)


@contextmanager
def _teller(live: bool, json: bool, reference: str | None) -> Iterator[Tell]:
    """How windows are told: in place in a terminal that watches, else one behind the other."""
    if json:
        write = put_record if live else put_json
        yield lambda opened, seen, found: write(as_json(opened, seen, found, reference))
    elif in_terminal():
        with _terminal(live) as tell:
            yield tell
    else:
        yield _lines if live else _plain


def _plain(opened: Opened, seen: Seen, found: Sequence[Remark]) -> None:
    put_sections(sections(opened, seen, found))


def _lines(_: Opened, seen: Seen, found: Sequence[Remark]) -> None:
    """One line a channel and counter, and one for each remark."""
    for channel in seen.channels:
        put("\t".join(channel_row(seen, channel)))
    for pulse in seen.pulses:
        put(f"{pulse_name(pulse.role)}\t{pulse_text(pulse)}")
    for remark in found:
        put(f"{remark.found}\t{remark.do}")
    sys.stdout.flush()


@contextmanager
def _terminal(live: bool) -> Iterator[Tell]:
    from rich.console import Console
    from rich.live import Live

    console = Console()
    if not live:
        yield lambda opened, seen, found: console.print(in_terminal_width(sections(opened, seen, found), console.width))
        return
    with Live(console=console, auto_refresh=False, transient=False) as place:

        def tell(opened: Opened, seen: Seen, found: Sequence[Remark]) -> None:
            shown = sections(opened, seen, found, brief=True)
            place.update(in_terminal_width(shown, console.width), refresh=True)

        yield tell
