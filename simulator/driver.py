"""`sim://scenario/unit?…`: a simulated stand in this process."""

from collections.abc import AsyncIterator
from contextlib import aclosing
from dataclasses import replace
from time import monotonic

from drivers.block import Block, Event, Link, LinkChange, Replayed
from drivers.device import Address, AddressError, PortError
from drivers.stand_link import StandLinkDevice
from simulator.adapter import MemoryTransport
from simulator.bench import Bench
from simulator.errors import SimulatorError
from simulator.operator import Operator
from simulator.playback_driver import SUFFIX, PlayedDevice, open_playback
from simulator.rig import Rig
from simulator.scenario import load_scenario

OPTIONS = {"seed": "1", "script": "0", "faults": "", "pace": "", "firmware": ""}


class SimulatedDevice(StandLinkDevice):
    """A stand-link device whose line ends in a rig. The operator's confirmations come in the stream of events, each
    behind the block in which it was said."""

    def __init__(self, rig: Rig, address: Address, pace: float | None) -> None:
        transport = MemoryTransport(rig, pace)
        super().__init__(transport, address, transport.now if pace is None else monotonic, virtual=pace is None)
        self.rig = rig
        self._ends_in = transport

    @property
    def failure(self) -> str:
        """What a firmware's program did that it should not; empty as long as all is well."""
        return self._ends_in.failure

    @property
    def simulated(self) -> bool:
        """True whatever the virtual device's own flag says: the address alone tells that no hardware is behind it."""
        return True

    @property
    def operator(self) -> Operator:
        """The person at the bench: tell it what to do with `hear`."""
        return self.rig.bench.operator

    @property
    def bench(self) -> Bench:
        return self.rig.bench

    async def events(self) -> AsyncIterator[Event]:
        async with aclosing(super().events()) as events:  # type: ignore[type-var]  # an async generator by nature
            async for event in events:
                yield self._explained(event)
                if isinstance(event, Block):
                    for word in self.operator.take_confirmations():
                        yield Replayed("confirm", {"what": word})

    def _explained(self, event: Event) -> Event:
        if isinstance(event, LinkChange) and event.link is Link.DOWN and self.failure:
            return replace(event, reason=self.failure)
        return event


async def open_sim(address: Address) -> SimulatedDevice | PlayedDevice:
    """`sim://SCENARIO/UNIT?seed=7&script=1&faults=loss:0.01&pace=1&firmware=PROGRAM`. Without `pace` time is virtual.

    With `firmware` the microcontroller is that program, which speaks `simulator.coupling`: its path and arguments, as a
    shell would split them, percent-encoded where the address needs it. Without it is our own virtual one.
    `sim://FILE.csv?…` plays a recording instead (see `open_playback`).
    SCENARIO is the name of one that ships, or a path; UNIT may be left out where the scenario has one only.

    Raises:
        AddressError: scenario, unit or an option makes no sense.
        DriverError: as `drivers.device.open_device` says, where faults keep the device from answering.
    """
    if address.place.endswith(SUFFIX):
        return await open_playback(address)
    options = _options(address)
    try:
        pace = float(options["pace"]) if options["pace"] else None
        rig = _rig(address, options)
    except (SimulatorError, ValueError) as error:
        raise AddressError(f"device address {address.text!r}: {error}") from error
    return await _started(rig, address, pace)


async def _started(rig: Rig, address: Address, pace: float | None) -> SimulatedDevice:
    """The device, which has said who it is; where it does not its program is ended."""
    try:
        device = SimulatedDevice(rig, address, pace)
        await device.start()
    except ValueError as error:
        rig.close()
        raise AddressError(f"device address {address.text!r}: {error}") from error
    except PortError as error:
        rig.close()
        raise PortError(device.failure or str(error)) from error
    except BaseException:
        rig.close()
        raise
    return device


def _options(address: Address) -> dict[str, str]:
    strange = sorted(address.options.keys() - OPTIONS)
    if strange:
        raise AddressError(
            f"device address {address.text!r}: unknown option {strange[0]!r}; expected: {', '.join(sorted(OPTIONS))}"
        )
    return {**OPTIONS, **address.options}


def _rig(address: Address, options: dict[str, str]) -> Rig:
    name, _, unit = address.place.rpartition("/")
    if not name or address.place.endswith(".toml"):
        name, unit = address.place, ""
    scenario = load_scenario(name)
    if not unit:
        if len(scenario.units) != 1:
            raise SimulatorError(f"expected sim://{name}/UNIT with one of: {', '.join(scenario.units)}")
        unit = next(iter(scenario.units))
    return Rig(
        scenario,
        unit,
        int(options["seed"]),
        script=options["script"] == "1",
        faults=options["faults"],
        program=options["firmware"],
    )
