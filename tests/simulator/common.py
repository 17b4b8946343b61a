"""Shared by the simulator's tests: scenarios, and a host that speaks frame by frame."""

from dataclasses import replace
from functools import cache

from drivers.block import Feature, Input
from drivers.link.codec import encode
from drivers.link.deframer import Deframer
from drivers.link.frames import Frame, FromHost
from simulator.design import Scenario
from simulator.plant.noise import Wander
from simulator.rig import Rig
from simulator.scenario import load_scenario

LITRES_PER_HOUR = 1 / 3.6e6


@cache
def depot() -> Scenario:
    return load_scenario("depot")


@cache
def quiet() -> Scenario:
    """The depot without noise and without sensor errors."""
    known = depot()
    sensors = tuple(replace(s, noise=0.0, noise_floor=0.0, zero_doubt=0.0, gain_doubt=0.0) for s in known.sensors)
    return replace(
        known,
        sensors=sensors,
        pressure_wander=Wander(),
        meter_spread=replace(known.meter_spread, k_doubt=0.0, wander=Wander()),
    )


@cache
def driven() -> Scenario:
    """The depot on a stand with everything fitted."""
    features = Feature.SIMULATED | Feature.POWER_SWITCH | Feature.SETTABLE_SUPPLY
    features |= Feature.VALVE_ACTUATOR | Feature.VALVE_SENSOR
    fitted = Input.STOP_CIRCUIT | Input.SPLASH_GUARD
    return replace(depot(), device=replace(depot().device, features=features, inputs_fitted=fitted))


class Host:
    """The host's side of a rig, frame by frame. `frames` holds all that came."""

    def __init__(self, rig: Rig) -> None:
        self.rig = rig
        self.frames: list[Frame] = []
        self.pieces = Deframer(opened=False)
        self.seq = 0
        self.listen(rig.firmware.take())

    def listen(self, data: bytes) -> list[Frame]:
        new = [piece.frame for piece in self.pieces.feed(data) if piece.frame is not None]
        self.frames += new
        return new

    def send(self, frame: FromHost) -> list[Frame]:
        """Sends a frame; what the device answers at once."""
        self.rig.write(encode(self.seq, frame))
        self.seq = (self.seq + 1) & 0xFF
        return self.listen(self.rig.firmware.take())

    def run(self, seconds: float) -> list[Frame]:
        return self.listen(self.rig.firmware.advance(seconds))


def connected(scenario: Scenario, unit: str = "good-pump", seed: int = 1) -> Host:
    """A host at a rig whose unit is connected and in the fluid."""
    host = Host(Rig(scenario, unit, seed))
    host.rig.bench.connect()
    host.rig.bench.immerse()
    return host
