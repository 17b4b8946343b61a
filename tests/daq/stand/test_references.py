"""What channels are measured against goes wrong in a whole run: void, and an alarm that says what to do.

The transducer is ratiometric and its excitation is measured. Shown as 4.2 V in place of 5 V it makes every pressure a
fifth too high, so that a pump whose relief valve is worn would pass.
"""

from pathlib import Path

import pytest

from daq.procedure.effects import Alarm, Taken
from daq.stand.rejudge import in_force, rejudge
from daq.stand.said import Finished, Said
from drivers.block import Role
from drivers.device import Address
from drivers.replay import open_replay
from tests.daq.stand.referenced import AFTER_ZERO, FROM_START, LOW_LIFT, Change, outcome, referenced

RELIEF = "worn-relief"
STANDS = pytest.mark.parametrize("driven", [False, True], ids=["followed", "driven"])
SHOWN_4V2, SHOWN_6V1 = -0.16, 0.22
IN_FREE_FLOW, IN_SHUTOFF = 18.0, 27.0
"""Seconds of a followed run with a hand as quick as the depot's."""


def check_void(found: Finished, alarms: dict[str, Alarm], name: str) -> None:
    """The run is void for this reference and no other reason; the alarm says what, where, expected, found, what to
    do."""
    assert (found.data.verdict, found.data.why) == ("void", f"{name} faulty")
    assert set(alarms) == {"reference_faulty"}
    alarm = alarms["reference_faulty"]
    assert alarm.severity == "stop"
    assert alarm.text.startswith("stage ")
    assert f": {name}: expected " in alarm.text
    assert ", found " in alarm.text
    assert "cannot be believed" in alarm.text
    assert len(alarm.do) > 40


@STANDS
async def test_measured_references_that_agree_change_no_verdict(tmp_path: Path, driven: bool) -> None:
    for unit, verdict in (("good-pump", "pass"), (RELIEF, "fail")):
        found, alarms = await outcome(tmp_path, unit, driven=driven)
        assert (found.data.verdict, alarms) == (verdict, {})


WRONG = {"followed": (RELIEF, SHOWN_4V2, "pass"), "driven": ("good-pump", SHOWN_6V1, "fail")}
"""A wrong verdict in either direction. The device of a driven stand trips where its excitation falls, so there it
rises."""


@pytest.mark.parametrize("mode", WRONG)
async def test_unseen_it_would_be_a_wrong_verdict(tmp_path: Path, mode: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Without the comparison, and without the checks of channels against each other, which see this fault too, it gives
    a clear verdict and no alarm."""
    (unit, share, word), driven = WRONG[mode], mode == "driven"
    monkeypatch.setattr("daq.measure.references._Watch._wrong", lambda self: "")
    monkeypatch.setattr("daq.procedure.jumps.Jumps.feed", lambda self, step, valve, **more: "")
    monkeypatch.setattr("daq.procedure.consistency.Visits.contradiction", lambda self: "")
    monkeypatch.setattr("daq.procedure.consistency.Visits.as_open", lambda self, step: True)
    change = Change.by(Role.EXCITATION, share, IN_FREE_FLOW)
    found, alarms = await outcome(tmp_path, unit, change, driven=driven, lift=LOW_LIFT)
    assert (found.data.verdict, alarms) == (word, {})
    [finding] = [f for f in found.data.findings if f.requirement == "shutoff pressure"]
    assert finding.p_conform == pytest.approx(float(word == "pass"), abs=0.01)


@pytest.mark.parametrize("mode", WRONG)
async def test_seen_it_is_void(tmp_path: Path, mode: str) -> None:
    unit, share, _ = WRONG[mode]
    change = Change.by(Role.EXCITATION, share, IN_FREE_FLOW)
    found, alarms = await outcome(tmp_path, unit, change, driven=mode == "driven", lift=LOW_LIFT)
    check_void(found, alarms, "excitation")


@STANDS
@pytest.mark.parametrize("share", [SHOWN_4V2, -0.02, 0.02, -0.005, 0.005])
async def test_an_excitation_that_changes_after_the_zero(tmp_path: Path, driven: bool, share: float) -> None:
    unit = RELIEF if share < 0 else "good-pump"
    found, alarms = await outcome(tmp_path, unit, Change.by(Role.EXCITATION, share, AFTER_ZERO), driven=driven)
    check_void(found, alarms, "excitation")


@STANDS
@pytest.mark.parametrize("share", [SHOWN_4V2, -0.02, 0.02])
async def test_an_excitation_that_is_wrong_from_the_start(tmp_path: Path, driven: bool, share: float) -> None:
    found, alarms = await outcome(tmp_path, "good-pump", Change.by(Role.EXCITATION, share, FROM_START), driven=driven)
    check_void(found, alarms, "excitation")
    assert "expected 5.000 V ± 0.050 V" in alarms["reference_faulty"].text


@STANDS
async def test_within_its_tolerance_from_the_start_it_is_in_the_uncertainty(tmp_path: Path, driven: bool) -> None:
    """Half a per cent that no comparison can show moves the pressure by less than U."""
    really: list[float] = []
    async with referenced(tmp_path, "good-pump", driven=driven) as bench:
        Change.by(Role.EXCITATION, -0.005, FROM_START).befall(bench)

        def look(said: Said) -> None:
            if isinstance(said, Taken) and said.reading.name == "shutoff.pressure":
                really.append(bench.device.bench.truth().pressure)

        bench.hooks.append(look)
        data = (await bench.test("MH-2101")).data
        assert not bench.all(Alarm)
    assert data.verdict == "pass"
    [reading] = [r for r in data.readings if r.name == "shutoff.pressure"]
    assert reading.value is not None
    assert reading.U is not None
    assert abs(1e3 * reading.value - really[-1]) < 1e3 * reading.U


@STANDS
async def test_an_excitation_that_drifts(tmp_path: Path, driven: bool) -> None:
    """Half a per cent in ten seconds, from the zero on."""
    found, alarms = await outcome(tmp_path, RELIEF, Change.drifting(Role.EXCITATION, -0.0005), driven=driven)
    check_void(found, alarms, "excitation")


@STANDS
async def test_an_excitation_that_stops_moving(tmp_path: Path, driven: bool) -> None:
    """Its converter showed noise at rest; the same count again and again is no measurement."""
    held: list[float] = []

    def stuck(volts: float, seconds: float) -> float:
        del seconds
        held.append(volts)
        return held[0]

    found, alarms = await outcome(tmp_path, RELIEF, Change(Role.EXCITATION, stuck), driven=driven)
    check_void(found, alarms, "excitation")
    assert "without any change" in alarms["reference_faulty"].text


@pytest.mark.parametrize("at", [IN_FREE_FLOW, IN_SHUTOFF])
@pytest.mark.parametrize("share", [SHOWN_4V2, SHOWN_6V1])
async def test_in_the_middle_of_a_window_nothing_is_held_against_the_unit(
    tmp_path: Path, at: float, share: float
) -> None:
    """A pressure that jumps with its reference is no over-pressure of the unit's, and gives no reading."""
    found, alarms = await outcome(tmp_path, "good-pump", Change.by(Role.EXCITATION, share, at), driven=False)
    check_void(found, alarms, "excitation")
    assert all(f.finding != "not_met" for f in found.data.findings)


@STANDS
@pytest.mark.parametrize(
    ("change", "name"),
    [
        (Change.by(Role.REFERENCE_VOLTAGE, 0.005, AFTER_ZERO), "reference voltage"),
        (Change.by(Role.REFERENCE_VOLTAGE, -0.02, AFTER_ZERO), "reference voltage"),
        (Change.by(Role.REFERENCE_VOLTAGE, 0.012, FROM_START), "reference voltage"),
        (Change.by(Role.AMBIENT_TEMPERATURE, 0.2, AFTER_ZERO), "shunt temperature"),
        (Change.by(Role.AMBIENT_TEMPERATURE, -0.2, FROM_START), "shunt temperature"),
    ],
)
async def test_the_other_references(tmp_path: Path, driven: bool, change: Change, name: str) -> None:
    found, alarms = await outcome(tmp_path, "good-pump", change, driven=driven)
    check_void(found, alarms, name)


async def test_the_converters_own_reference_shows_in_the_fixed_voltage(tmp_path: Path) -> None:
    """Two per cent on every channel at once look healthy on each of them; a ratio of two counts stays right."""
    async with referenced(tmp_path, "good-pump", driven=False) as bench:
        bench.device.bench.befall("converter_reference_low", AFTER_ZERO)
        found = await bench.test("MH-2101")
        alarms = {alarm.code: alarm for alarm in bench.all(Alarm)}
    assert (found.data.verdict, set(alarms)) == ("void", {"reference_faulty"})


async def test_a_replay_finds_the_same(tmp_path: Path) -> None:
    async with referenced(tmp_path, RELIEF, driven=False) as bench:
        Change.by(Role.EXCITATION, -0.02, IN_SHUTOFF).befall(bench)
        data = (await bench.test("MH-2101")).data
    path = tmp_path / "data" / "recordings" / f"{data.run}.rec"
    device = await open_replay(Address(f"replay://{path}", "replay", str(path)))
    again = await rejudge(device, in_force(device))
    assert (again.verdict, again.why) == (data.verdict, data.why)
    assert (again.readings, again.findings) == (data.readings, data.findings)
