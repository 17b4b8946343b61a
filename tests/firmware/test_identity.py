"""IDENTITY, and what a reset leaves behind (sections 4 and 7 of the link's page)."""

import pytest

from drivers.block import Identity, Role, Status
from drivers.link.frames import Drive, Identify, Scans, Stream
from tests.firmware.host import NO_LIMITS, ON, Host


# "Sent once at boot without being asked"; the stream is "off after boot"; STATUS "once a second anyway".
def test_it_boots_silent_but_for_identity_and_status(host: Host) -> None:
    host.run(1.2)
    assert len(host.of(Identity)) == 1
    assert host.of(Status)
    assert {type(heard.frame) for heard in host.heard} == {Identity, Status}


# "… and as the answer to each IDENTIFY": the same words as at boot.
def test_it_says_the_same_when_asked(host: Host) -> None:
    for _ in range(2):
        host.send(Identify())
    host.run(0.05)
    assert host.of(Identity) == [host.identity] * 3


# Section 4's table: numbers that are never 0, and what a driven stand must have.
def test_it_is_a_device_that_can_drive_a_stand(host: Host) -> None:
    said = host.identity
    assert said.protocol == 1
    assert said.tick_hz > 0
    assert said.sample_hz > 0
    assert len(bytes.fromhex(said.device_id)) == 8
    assert {a.role for a in said.analog} >= {Role.PRESSURE, Role.SUPPLY_VOLTAGE, Role.SHUNT}
    for a in said.analog:
        # a converter of so many bits covers its own zero, or nobody could tell 0 V
        assert abs(a.zero_count) < 1 << a.bits
        assert a.volts_per_count != 0


# "number of this boot, one above the last" and "reset_cause": bit 1 external, 2 brown-out, 3 watchdog.
@pytest.mark.parametrize("cause", [2, 4, 8])
def test_a_reset_tells_its_cause_and_counts(host: Host, cause: int) -> None:
    before = host.identity
    after = host.reset(cause)
    assert after.reset_cause == cause
    assert after.boot == (before.boot + 1) & 0xFFFF
    assert after.device_id == before.device_id
    assert host.status().boot == after.boot & 0xFF


# "What was being measured is lost, the stream is off, and limits are gone." The device's numbers and its counts of bad
# and missing frames begin anew, and no power outlives a reset.
def test_a_reset_leaves_nothing_standing(host: Host) -> None:
    host.write(b"\x01\0\x09\x02\0")  # some bad frames
    assert host.answer(Stream(True)) == 0
    assert host.answer(NO_LIMITS) == 0
    assert host.answer(ON) == 0
    assert host.power
    host.seq += 7
    host.send(ON)
    host.run(0.05)
    host.reset()
    assert not host.power
    status = host.status()
    assert (status.power_on, status.streaming, status.limits_set, status.limits_crc) == (False, False, False, 0)
    assert (status.trip, status.rx_bad, status.rx_gap) == (0, 0, 0)
    assert not host.of(Scans)
    assert host.answer(ON) == 6
    assert not host.power


# … and the tick counts from there: it is less than the time that has passed since.
def test_the_tick_begins_anew(host: Host) -> None:
    host.run(1.2)
    host.reset()
    began = host.us
    status = host.status()
    assert status.tick <= (host.us - began + 500_000) * 1e-6 * host.identity.tick_hz


# "65 535 if neither is there": without a sensor only a command tells where the valve is, and a reset forgets it.
def test_a_reset_forgets_where_the_valve_was_sent(host: Host) -> None:
    assert host.answer(Drive(False, 0, 2_500, 0)) == 0
    assert host.status().valve == 2_500
    host.reset()
    assert host.status().valve == 65_535
