"""What `steadyhead setup leak` does: asks for a blanked-off line under pressure, watches it, and says how it leaks."""

import asyncio
from collections.abc import Callable
from datetime import date, datetime
from pathlib import Path
from typing import Any

from daq.catalogue import units
from daq.catalogue.cautions import load_cautions
from daq.catalogue.load import load_stand
from daq.cli.config import configuration, refuse_real
from daq.cli.output import in_terminal, note, put, put_json, put_table
from daq.measure.leak import LeakFound
from daq.measure.steps import Step
from daq.procedure.plan import Stand
from daq.stand.leak import LEFT_ALONE_S, LeakWatch, Phase, least_pressure, watch_leak
from drivers.device import Device, open_device

EVERY_S = 5.0
"""So often the pressure is said while one waits."""

BEFORE = """\
Take the unit off, its supply switched off, and close the line with a plug rated for the pressure. Guard in place,
goggles and gloves on: a plug that lets go flies, and a fine leak sprays. Connect the hand pump to the line.
1. Pump the line up to the highest pressure that a part holds after power-off: at least {least}, never above {most}.
2. Shut the valve to the tank and the one of the hand pump, and take your hands off.
3. Touch nothing while it is watched, for {seconds:g} s. It begins by itself once pressure has stood {alone:g} s."""
AGAIN = """\
U is that of this one check. Do it again, pumped up anew: where the rates of two checks differ by more, state that
difference as `doubt`."""
AFTER = "Let the pressure down before you open a joint."


def measure(config: Path | None, address: str | None, seconds: float, *, json: bool) -> None:
    """Measures and prints the leak.

    Raises:
        CatalogueError: there is no stand to measure, or mistakes are in it.
        DriverError: its device cannot be opened.
        StandError: no leak could be found, and why.
    """
    directory = configuration(config)
    stand = load_stand(directory)
    refuse_real(stand, address or stand.device)
    say = put if in_terminal() and not json else note
    for caution in load_cautions(directory):
        say(f"- {caution.title}")
    say(_before(stand.stand, seconds))
    try:
        found = asyncio.run(_watch(address or stand.device, stand.stand, seconds, say))
    finally:
        say(AFTER)
    day = datetime.now().astimezone().date()
    if json:
        put_json(as_json(found, day))
        return
    if in_terminal():
        put_table(("pressure", "falls by", "U (95 %)"), [_row(found, k) for k in range(len(found.points))])
        put(AGAIN)
        put(f"Put this into {stand.path}, raise its `revision`, then run `steadyhead parts check`:\n")
    put(as_toml(found, day))


def as_toml(found: LeakFound, day: date) -> str:
    """The lines of `stand.toml` that state this leak; what they say is not less doubtful than what was found."""
    leak = found.leak
    warm = [] if leak.temperature is None else [f'temperature = "{leak.temperature - 273.15:.1f} degC"']
    rows = [f'    {{ at = "{at / 1e3:.1f} kPa", rate = "{rate / 1e3:.5f} kPa/s" }},' for at, rate in leak.table]
    head = ["[channel.pressure.leak]", f"date = {day.isoformat()}", *warm]
    doubt = f'doubt = "{leak.doubt / 1e3 + 5e-6:.5f} kPa/s"'  # rounded up
    return "\n".join([*head, doubt, "table = [", *rows, "]"])


def as_json(found: LeakFound, day: date) -> dict[str, Any]:
    """The same for programs: numbers with their units, and the lines themselves."""
    warm = found.leak.temperature
    return {
        "date": day.isoformat(),
        "temperature": None if warm is None else {"value": round(warm - 273.15, 2), "unit": "Cel"},
        "seconds": found.seconds,
        "start": {"value": found.start / 1e3, "unit": "kPa"},
        "end": {"value": found.end / 1e3, "unit": "kPa"},
        "points": [
            {
                "at": {"value": point.at / 1e3, "unit": "kPa"},
                "rate": {"value": point.rate / 1e3, "unit": "kPa/s"},
                "U": {"value": point.U / 1e3, "unit": "kPa/s"},
            }
            for point in found.points
        ],
        "doubt": {"value": found.leak.doubt / 1e3, "unit": "kPa/s"},
        "toml": as_toml(found, day),
    }


def _before(stand: Stand, seconds: float) -> str:
    least, most = (units.show(p, units.PRESSURE) for p in (least_pressure(stand), stand.limits.pressure))
    return BEFORE.format(least=least, most=most, seconds=seconds, alone=LEFT_ALONE_S)


def _row(found: LeakFound, k: int) -> tuple[str, str, str]:
    point = found.points[k]
    rate, doubt = (units.show(x, units.PRESSURE_PER_TIME, 3) for x in (point.rate, point.U))
    return units.show(point.at, units.PRESSURE, 4), rate, doubt


async def _watch(address: str, stand: Stand, seconds: float, say: Callable[[str], None]) -> LeakFound:
    device = await open_device(address)
    try:
        _ask_operator(device)
        return await watch_leak(device, stand, seconds, _Progress(say))
    finally:
        await device.close()


def _ask_operator(device: Device) -> None:
    """A simulated bench has a simulated person, who pumps the line up."""
    operator = getattr(device, "operator", None)
    if operator is not None:
        operator.hear("pressurise")


class _Progress:
    """Says now and then what the pressure is and what is waited for."""

    def __init__(self, say: Callable[[str], None]) -> None:
        self._say, self._next, self._phase = say, 0.0, Phase.DONE

    def __call__(self, watch: LeakWatch, step: Step) -> None:
        if watch.phase is self._phase and step.t < self._next:
            return
        self._phase, self._next = watch.phase, step.t + EVERY_S
        text = {
            Phase.WAITING: f"pump it up to {units.show(watch.least, units.PRESSURE, 4)} or more",
            Phase.HOLDING: "shut everything and leave it",
            Phase.RECORDING: f"touch nothing for {watch.left_s:.0f} s",
            Phase.DONE: "seen",
        }[watch.phase]
        self._say(f"{units.show(step.pressure, units.PRESSURE, 4)}: {text}")
