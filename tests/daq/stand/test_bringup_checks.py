"""What there is to look at on a device, and what keeps a run from starting: as a start would see it."""

from dataclasses import replace

import pytest

from daq.procedure.plan import Drive, Stand
from daq.stand.bringup import Watch
from daq.stand.bringup_checks import Remark, remarks, reset_text
from daq.stand.pace import Pace
from daq.stand.seen import Seen
from drivers.block import AnalogInput, Feature, Input, Link, LinkChange, LinkCounts, Role, Status, Trip
from tests.daq.measure.blocks import CHANNELS, RESTING, ROLES, identity, steady_blocks

STAND = Stand("marrow-hill", "bench-1", CHANNELS)
DRIVEN = replace(STAND, drive=Drive())
STATUS = Status(1, 0, False, False, True, False, False, 0xFFFF, 0, Input(0), Trip.NONE, 0, 0, 0)


def at_rest(**values: float) -> Seen:
    """A window of a stand at rest, but for what is given in SI by role."""
    watch = Watch(identity(), CHANNELS)
    watch.feed(STATUS)
    for block in steady_blocks(RESTING | {Role[name.upper()]: value for name, value in values.items()}, 500):
        watch.feed(block)
    return watch.seen(LinkCounts(frames=20))


def told(seen: Seen, stand: Stand | None = STAND) -> list[tuple[bool, str, str]]:
    return [(remark.blocks, remark.found, remark.do) for remark in remarks(seen, stand)]


def with_device(seen: Seen, **changes: object) -> Seen:
    return replace(seen, identity=replace(seen.identity, **changes))  # type: ignore[arg-type]


def with_status(seen: Seen, **changes: object) -> Seen:
    return replace(seen, status=replace(STATUS, **changes))  # type: ignore[arg-type]


def test_there_is_nothing_to_say_of_a_stand_in_order() -> None:
    assert told(at_rest()) == []
    assert told(at_rest(), None) == []


def test_a_channel_that_a_run_needs() -> None:
    """The words of the refusal of a start."""
    seen = with_device(at_rest(), analog=identity([r for r in ROLES if r is not Role.SHUNT]).analog)
    [(blocks, found, do)] = told(seen)
    assert blocks
    assert "no channel for current: expected role 3, found roles [1, 2, 4, 5]" in found
    assert do == "connect the sensor or correct the table in the firmware"
    assert told(seen, None) == []


def test_a_device_that_scans_too_slowly() -> None:
    [(blocks, found, do)] = told(with_device(at_rest(), sample_hz=30))
    assert blocks
    assert "30 scans a second" in found
    assert do == "raise the rate in the firmware"


def test_no_flowmeter() -> None:
    stated = (*identity().analog, AnalogInput(Role.FLOW, 0, 0, 0.0))
    assert told(with_device(at_rest(), pulse=(), analog=stated)) == []
    found = told(with_device(at_rest(), pulse=()))
    assert found == [(False, "it measures no flow", "a part that requires flow ends void: fit a flowmeter")]


@pytest.mark.parametrize(
    ("roles", "channels", "found"),
    [
        (ROLES[:3] + ROLES[4:], CHANNELS, "stand.toml has [channel.temperature], the device no channel with role 4"),
        (ROLES[:4], CHANNELS, "stand.toml has [channel.level], the device no channel with role 5"),
        (ROLES, replace(CHANNELS, level=None), "the device has a channel with role 5, stand.toml no [channel.level]"),
        (
            (*ROLES, Role.REFERENCE_VOLTAGE),
            CHANNELS,
            "the device has a channel with role 10, stand.toml no [reference.voltage]",
        ),
        (
            (*ROLES, Role.CONVERTER_SUPPLY),
            CHANNELS,
            "the device has a channel with role 11, stand.toml no [reference.supply]",
        ),
    ],
)
def test_where_device_and_stand_do_not_agree(roles: tuple[Role, ...], channels: object, found: str) -> None:
    seen = with_device(at_rest(), analog=identity(roles).analog)
    stand = replace(STAND, channels=channels)  # type: ignore[arg-type]
    assert [(blocks, text) for blocks, text, _ in told(seen, stand)] == [(False, found)]


def test_power_that_is_on() -> None:
    assert told(at_rest(supply_voltage=13.5)) == [
        (True, "power is on: 13.50 V at the terminals", "switch the unit's power off")
    ]


def test_a_channel_outside_of_its_span() -> None:
    [(blocks, found, do)] = told(at_rest(pressure=1.2e6))
    assert (blocks, found) == (False, "channel 0, pressure: above its span")
    assert "stand.toml" in do


@pytest.mark.parametrize("trip", [trip for trip in Trip if trip is not Trip.NONE])
def test_a_trip_keeps_a_followed_stand_from_starting_and_is_cleared_by_a_driven_one(trip: Trip) -> None:
    [(blocks, found, _)] = told(with_status(at_rest(), trip=trip))
    assert blocks
    assert found.startswith("tripped: ")
    assert found != "tripped: none"
    fitted = with_device(
        at_rest(),
        features=Feature.POWER_SWITCH | Feature.VALVE_ACTUATOR,
        inputs_fitted=Input.STOP_CIRCUIT,
    )
    seen = replace(fitted, status=replace(STATUS, trip=trip, inputs=Input.STOP_CIRCUIT))
    [(blocks, found, do)] = told(seen, DRIVEN)
    assert (blocks, found.startswith("tripped: ")) == (False, True)
    assert "the next start clears it" in do


def test_what_a_driven_stand_lacks() -> None:
    [(blocks, found, _)] = told(at_rest(), DRIVEN)
    assert blocks
    assert found == "this stand drives itself, and its device lacks: power switch, valve actuator, stop circuit"


def test_an_input_that_is_open() -> None:
    fitted = Input.STOP_CIRCUIT | Input.SPLASH_GUARD
    seen = with_device(at_rest(), features=Feature.POWER_SWITCH | Feature.VALVE_ACTUATOR, inputs_fitted=fitted)
    seen = replace(seen, status=replace(STATUS, inputs=Input.STOP_CIRCUIT))
    [(blocks, found, do)] = told(seen, DRIVEN)
    assert (blocks, found) == (True, "open: splash guard")
    assert "splash guard" in do
    assert told(seen) == []  # a person is not kept from anything by an input that only a device could act on


@pytest.mark.parametrize("link", [Link.SILENT, Link.DOWN])
@pytest.mark.parametrize(
    ("reason", "found", "do"),
    [
        (
            "no sound frame for 1.0 s",
            "no sound frame for 1.0 s",
            "the device does not answer: look at its power and cable",
        ),
        ("the line is gone; check the cable", "the line is gone", "check the cable"),
    ],
)
def test_a_line_that_is_not_up(link: Link, reason: str, found: str, do: str) -> None:
    assert told(replace(at_rest(), link=LinkChange(link, reason))) == [(True, found, do)]


def test_a_device_that_sends_no_scans() -> None:
    seen = replace(at_rest(), scans=0, channels=(), link=LinkChange(Link.UP, "open"))
    assert [(blocks, found) for blocks, found, _ in told(seen)] == [(True, "no scans came")]


@pytest.mark.parametrize(
    ("counts", "found"),
    [
        (LinkCounts(bad=3), "3 frames were bad, 0 lost, 0 scans missing"),
        (LinkCounts(lost=2, scans_missing=40), "0 frames were bad, 2 lost, 40 scans missing"),
        (LinkCounts(resets=2), "the device has restarted 2 times meanwhile"),
    ],
)
def test_a_line_that_errs(counts: LinkCounts, found: str) -> None:
    assert [(b, f) for b, f, _ in told(replace(at_rest(), counts=counts))] == [(False, found)]


def test_scans_that_a_capture_displaced_are_not_missing() -> None:
    assert told(replace(at_rest(), displaced=300, counts=LinkCounts(scans_missing=300))) == []


def test_what_the_device_heard_badly() -> None:
    [(_, found, do)] = told(with_status(at_rest(), rx_bad=4, rx_gap=7))
    assert found == "the device heard 4 bad frames from here and missed 7"
    assert "baud rate" in do


@pytest.mark.parametrize(
    ("cause", "text", "looked_at"),
    [
        (0b0001, "power-on", False),
        (0b0010, "an external reset", False),
        (0b0100, "a brown-out", True),
        (0b1001, "power-on and its watchdog", True),
        (0b0000, "", False),
    ],
)
def test_why_a_device_started(cause: int, text: str, looked_at: bool) -> None:
    assert reset_text(cause) == text
    found = told(with_device(at_rest(), reset_cause=cause))
    assert found == ([(False, f"the device last started after {text}", "look at its supply")] if looked_at else [])


@pytest.mark.parametrize(
    ("ratio", "doubt", "said"),
    [(1.004, 0.001, True), (0.996, 0.001, True), (1.0008, 0.0, False), (1.004, 0.004, False)],
)
def test_a_clock_that_goes_wrong_is_told_where_that_is_sure(ratio: float, doubt: float, said: bool) -> None:
    found = told(replace(at_rest(), pace=Pace(ratio, doubt, 0.001, 0.002, 0.05)))
    assert len(found) == said
    if said:
        assert f"differ by {100 * (ratio - 1.0):+.2f} %" in found[0][1]


def test_what_keeps_a_run_from_starting_comes_first() -> None:
    seen = replace(at_rest(supply_voltage=13.5), counts=LinkCounts(bad=3))
    seen = with_device(seen, pulse=())
    assert [remark.blocks for remark in remarks(seen, STAND)] == [True, False, False]
    assert all(isinstance(remark, Remark) and remark.do for remark in remarks(seen, STAND))
