"""`sim://FILE.csv?…`: a recording played as a device in this process."""

from math import isfinite
from pathlib import Path
from time import monotonic

from drivers.device import Address, AddressError
from drivers.stand_link import StandLinkDevice
from simulator.adapter import MemoryTransport
from simulator.errors import SimulatorError
from simulator.plant.meter import MeterDesign
from simulator.playback import PlayedRig
from simulator.playback_file import read_recording
from simulator.scenario import load_scenario

OPTIONS = {"scenario": "depot", "pulses_per_litre": "", "faults": "", "seed": "1", "pace": ""}
SUFFIX = ".csv"


class PlayedDevice(StandLinkDevice):
    """A stand-link device whose line ends in a recording."""

    def __init__(self, rig: PlayedRig, address: Address, pace: float | None) -> None:
        transport = MemoryTransport(rig, pace)
        super().__init__(transport, address, transport.now if pace is None else monotonic, virtual=pace is None)
        self.rig = rig

    @property
    def simulated(self) -> bool:
        """True: whatever was recorded, nothing of it is behind the line now."""
        return True


async def open_playback(address: Address) -> PlayedDevice:
    """`sim://FILE.csv?scenario=depot&pulses_per_litre=4600&faults=loss:0.01&pace=1`. Without `pace` time is virtual.

    Sensors, converter and meter are those of the scenario; `pulses_per_litre` is another K, for all flows.

    Raises:
        AddressError: recording, scenario or an option makes no sense.
        DriverError: as `drivers.device.open_device` says, where faults keep the device from answering.
    """
    strange = sorted(address.options.keys() - OPTIONS)
    if strange:
        raise AddressError(
            f"device address {address.text!r}: unknown option {strange[0]!r}; expected: {', '.join(sorted(OPTIONS))}"
        )
    options = {**OPTIONS, **address.options}
    try:
        pace = float(options["pace"]) if options["pace"] else None
        device = PlayedDevice(_rig(address.place, options), address, pace)
    except (SimulatorError, ValueError) as error:
        raise AddressError(f"device address {address.text!r}: {error}") from error
    await device.start()
    return device


def _rig(place: str, options: dict[str, str]) -> PlayedRig:
    scenario = load_scenario(options["scenario"])
    meter = scenario.meter
    if options["pulses_per_litre"]:
        meter = _one_factor(float(options["pulses_per_litre"]))
    return PlayedRig(read_recording(Path(place)), scenario, meter, options["faults"], int(options["seed"]))


def _one_factor(per_litre: float) -> MeterDesign:
    if not (isfinite(per_litre) and per_litre > 0.0):
        raise ValueError(f"pulses_per_litre of {per_litre}: expected a number above 0")
    return MeterDesign(((1.0, 1e3 * per_litre),))
