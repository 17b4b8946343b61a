"""What can go wrong on a stand that drives itself, provoked under each firmware: does the unit lose its power, how
soon, and what is said of it."""

from dataclasses import dataclass
from pathlib import Path

import pytest

from daq.stand.errors import RefusedError
from daq.stand.said import Live
from drivers.block import Trip
from drivers.device import Reply
from simulator.driver import SimulatedDevice
from tests.daq.stand.driven import FIRMWARES, driven

AT_S = 25.0
"""The pump's valve is closing then."""
INPUT_S, MEDIAN_S = 0.012, 0.014
"""The link's contract: an open input takes power within 10 ms, a limit that three scans pass with the third; a scan
here is 2 ms, and the witness looks once a scan."""


@dataclass(frozen=True, slots=True)
class Hazard:
    """What is provoked, which trip switches off within what time (s), and what the run then says."""

    fault: str
    trip: Trip
    within: float
    why: str
    alarm: str


HAZARDS = (
    Hazard("stop_open", Trip.STOP_CIRCUIT, INPUT_S, "trip: stop circuit", "trip_stop_circuit"),
    Hazard("guard_open", Trip.SPLASH_GUARD, INPUT_S, "trip: splash guard", "trip_splash_guard"),
    Hazard("fluid_low", Trip.FLUID_LOW, INPUT_S, "trip: fluid low", "trip_fluid_low"),
    Hazard("pressure_open", Trip.OVER_PRESSURE, MEDIAN_S, "pressure out of span", "over_pressure"),
    Hazard("pressure_shorted", Trip.OVER_PRESSURE, MEDIAN_S, "trip: over pressure", "trip_over_pressure"),
    Hazard("current_saturated", Trip.OVER_CURRENT, MEDIAN_S, "current faulty", "over_current"),
    Hazard("temperature_open", Trip.OTHER_LIMIT, MEDIAN_S, "trip: other limit", "trip_other_limit"),
    Hazard("supply_off", Trip.NONE, INPUT_S, "power failed", "power_failed"),
)
BOTH = ("python", "avr")
BY_EACH = [
    pytest.param(f, h, id=f"{f}-{h.fault}")
    for h in HAZARDS
    for f in (FIRMWARES if h.within == INPUT_S else BOTH)  # the program answers an input otherwise than both others
]


@pytest.mark.parametrize(("firmware", "hazard"), BY_EACH)
async def test_power_goes_and_comes_back_for_nobody(firmware: str, hazard: Hazard, tmp_path: Path) -> None:
    async with driven(tmp_path, firmware, faults=f"{hazard.fault}:{AT_S}") as stand:
        data = await stand.test()
        assert 0.0 <= stand.power.off_at - AT_S <= hazard.within
        assert (data.verdict.value, data.why) == ("void", hazard.why)
        [(code, alarm)] = stand.stops().items()
        assert code == hazard.alarm
        assert not alarm.do.startswith(("switch off", "open the valve"))  # the stand has, and says what is left to do
        assert stand.bench.device.status is not None
        assert stand.bench.device.status.trip is hazard.trip
        if hazard.trip is Trip.NONE:
            return
        switched = list(stand.power.switched)
        with pytest.raises(RefusedError, match=r"input_open|is still there"):
            await stand.bench.begin()
        assert (await ask_for_power(stand.bench.device)).code != 0
        assert stand.power.switched == switched


async def ask_for_power(device: SimulatedDevice) -> Reply:
    return await device.drive(power=True, valve=10_000, supply_mv=None, lease_ms=500)


@pytest.mark.parametrize("firmware", BOTH)
async def test_a_trip_whose_cause_is_gone_waits_for_the_next_start(firmware: str, tmp_path: Path) -> None:
    async with driven(tmp_path, firmware, faults=f"temperature_open:{AT_S}") as stand:
        await stand.test()
        stand.bench.device.bench.mount("good-pump")  # the stand is repaired with it
        switched = list(stand.power.switched)
        reply = await ask_for_power(stand.bench.device)
        assert not reply.done
        assert "tripped" in reply.text
        assert stand.power.switched == switched
        assert not stand.power.on
        data = await stand.test()
        assert data.verdict.value == "pass"
        assert len(stand.power.switched) > len(switched)


@pytest.mark.parametrize("firmware", BOTH)
async def test_fluid_too_warm(firmware: str, tmp_path: Path) -> None:
    async with driven(tmp_path, firmware) as stand:
        warmed: list[float] = []

        def heat(said: object) -> None:
            if isinstance(said, Live) and said.about is not None and stand.time > AT_S:
                stand.bench.device.bench.plant.fluid = 273.15 + 70.0
                warmed[:] = warmed or [stand.time]

        stand.bench.hooks.append(heat)
        data = await stand.test()
        assert stand.power.off_at - warmed[0] <= MEDIAN_S  # the simulated sensor has no lag
        assert (data.verdict.value, data.why) == ("void", "trip: other limit")


@pytest.mark.parametrize("firmware", BOTH)
async def test_a_seized_unit_draws_too_much_and_fails(firmware: str, tmp_path: Path) -> None:
    async with driven(tmp_path, firmware, faults="seized", current=12.0) as stand:
        data = await stand.test()
        assert max(stand.power.spells) < 0.6  # the current of every motor's start is passed over
        assert data.verdict.value == "fail"
        assert stand.bench.device.status is not None
        assert stand.bench.device.status.trip is Trip.OVER_CURRENT


@pytest.mark.parametrize("firmware", BOTH)
async def test_pressure_beyond_the_limit(firmware: str, tmp_path: Path) -> None:
    async with driven(tmp_path, firmware, pressure=450e3) as stand:
        data = await stand.test()
        assert stand.bench.device.status is not None
        assert stand.bench.device.status.trip is Trip.OVER_PRESSURE
        assert stand.bench.device.bench.truth().current == pytest.approx(0.0, abs=0.2)
        assert (data.verdict.value, "pressure" in data.why) == ("fail", True)
        assert not stand.power.on


@pytest.mark.parametrize("firmware", BOTH)
async def test_a_dry_check_ends_before_its_limit_and_no_second_one_follows(firmware: str, tmp_path: Path) -> None:
    async with driven(tmp_path, firmware) as stand:
        data = await stand.test()
        assert data.verdict.value == "pass"
        dry, *wet = stand.power.spells
        assert 1.0 < dry < 1.5
        assert len(wet) == 1


@pytest.mark.parametrize(("firmware", "at"), [("python", 0.0), ("python", 20.0), ("avr", 0.0)])
async def test_a_welded_switch_is_told_before_all_else(firmware: str, at: float, tmp_path: Path) -> None:
    async with driven(tmp_path, firmware, faults=f"switch_stuck:{at}") as stand:
        data = await stand.test()
        assert (data.verdict.value, data.why) == ("void", "power did not go off")
        [alarm] = stand.stops().values()
        assert alarm.code == "power_did_not_go_off"
        assert "by hand NOW" in alarm.do
        assert stand.power.on  # no software helps: the stop circuit has to cut it


@pytest.mark.parametrize("firmware", BOTH)
async def test_a_stuck_valve_is_no_fault_of_the_unit(firmware: str, tmp_path: Path) -> None:
    async with driven(tmp_path, firmware, faults=f"valve_stuck:{AT_S}") as stand:
        data = await stand.test()
        assert (data.verdict.value, data.why) == ("void", "valve does not obey")
        assert not stand.power.on


@pytest.mark.parametrize("firmware", BOTH)
async def test_held_at_shutoff_no_longer_than_its_limit(firmware: str, tmp_path: Path) -> None:
    """A supply that sags there keeps the reading from being taken."""
    async with driven(tmp_path, firmware) as stand:
        shut_since: list[float] = []

        def shake(said: object) -> None:
            sim = stand.bench.device.bench
            if isinstance(said, Live) and sim.travel == 0.0 and sim.plant.powered:
                shut_since[:] = shut_since or [stand.time]
                sim.plant.volts = 12.0

        stand.bench.hooks.append(shake)
        data = await stand.test()
        limit = stand.part("MH-2101").shutoff_limit_s
        assert stand.power.off_at - shut_since[0] < limit + 1.0
        assert (data.verdict.value, data.why) == ("void", "shutoff too long")


@pytest.mark.parametrize("firmware", BOTH)
async def test_a_device_that_restarts_leaves_the_unit_off(firmware: str, tmp_path: Path) -> None:
    async with driven(tmp_path, firmware, faults=f"reset:{AT_S}") as stand:
        data = await stand.test()
        assert (data.verdict.value, data.why) == ("void", "device reset")
        assert stand.power.off_at - AT_S < 0.1
