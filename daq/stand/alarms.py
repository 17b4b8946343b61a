"""Which alarms of a stand are active and since when; what clears each, in one table."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from enum import Enum, auto

from daq.procedure.effects import Alarm
from daq.publish import contract as c
from daq.publish.notices import Code, Notice
from daq.stand.said import Begun, Finished, Said, Stage, Zeroed
from drivers.block import Identity, Link, LinkChange

LINK_DOWN = "link_down"
CLOSED = "closed"
"""Why a line is down that the daemon itself let go of: nothing is wrong."""


class Gone(Enum):
    """What the stand says when a cause is gone, or when nobody needs to be told of it any more."""

    NEXT_RUN = auto()
    NOTHING_ASKED = auto()
    LINK_UP = auto()
    DEVICE_FITS = auto()
    STORED = auto()
    RECORDED = auto()
    TRACED = auto()
    ZERO_TAKEN = auto()
    ROOM = auto()
    OVER = auto()


_RUN = (Gone.NEXT_RUN,), "whoever comes next must see what ended or spoiled a run, until somebody begins another"
_TRIP = (Gone.NEXT_RUN,), "no run begins while the device holds its trip"

CLEARED_BY: dict[str, tuple[tuple[Gone, ...], str]] = {
    # What ended a run.
    "over_pressure": _RUN,
    "over_current": _RUN,
    "fluid_hot": _RUN,
    "dry_running": _RUN,
    "shutoff_long": _RUN,
    "no_flow": _RUN,
    "flow_ended": _RUN,
    "pressure_lost": _RUN,
    "no_fill": _RUN,
    "channels_disagree": _RUN,
    "power_did_not_come_on": _RUN,
    "power_failed": _RUN,
    "power_did_not_go_off": _RUN,
    "valve_does_not_obey": _RUN,
    "valve_slower_than_stated": _RUN,
    "not_driven": _RUN,
    "internal_error": _RUN,
    "zero_shift": ((Gone.NEXT_RUN, Gone.ZERO_TAKEN), "a zero that can be taken lies within its limit"),
    "trip_lease": _TRIP,
    "trip_over_pressure": _TRIP,
    "trip_over_current": _TRIP,
    "trip_stop_circuit": _TRIP,
    "trip_splash_guard": _TRIP,
    "trip_fluid_low": _TRIP,
    "trip_power_too_long": _TRIP,
    "trip_self_test": _TRIP,
    "trip_other_limit": _TRIP,
    # What kept readings from being taken: told once a run, so nobody says when it is right again.
    "pressure_faulty": _RUN,
    "voltage_faulty": _RUN,
    "current_faulty": _RUN,
    "temperature_faulty": _RUN,
    "level_faulty": _RUN,
    "reference_faulty": _RUN,
    "supply_low": _RUN,
    "supply_high": _RUN,
    "fluid_temperature": _RUN,
    "line_bad": _RUN,
    "confirm_needed": ((Gone.NOTHING_ASKED,), "the valve is where it should be, or the run is over"),
    # The device and its line.
    LINK_DOWN: ((Gone.LINK_UP,), "the device answers"),
    "device_reset": ((Gone.NEXT_RUN,), "it runs again at once, which does not say that supply or cable are right"),
    "channel_missing": ((Gone.DEVICE_FITS,), "a device said what it has; if that will not do either it is raised anew"),
    "calibration_due": ((Gone.NEXT_RUN,), "each run looks again, and raises it while a calibration is overdue"),
    # The record.
    "store_failed": ((Gone.STORED,), "a verdict is in the database"),
    "disk_full": ((Gone.ROOM,), "there is room for a run again"),
    "recording_failed": ((Gone.RECORDED,), "a run has its recording"),
    "trace_failed": ((Gone.TRACED,), "a run has its trace"),
    # The broker: its notices say themselves when they are over.
    Code.BROKER.value: ((Gone.OVER,), "connected"),
    Code.PUBLISH_REFUSED.value: ((Gone.OVER,), "messages are taken again"),
    Code.SUBSCRIBE_REFUSED.value: ((Gone.OVER,), "requests can come in"),
    Code.OUTBOX.value: ((Gone.OVER,), "the record answers"),
    # The daemon: whoever watches it says so himself.
    "restarted": ((Gone.NEXT_RUN,), "it works again, and a run shows that it does"),
    Code.LOOP_LAG.value: ((Gone.OVER,), "it was in time for a minute"),
}
"""Every code that there is, what clears it, and why just that. A restart clears all: whatever is still wrong is raised
again by whoever finds it."""

_NOTICES: dict[Code, str] = {
    Code.BROKER: "see to the broker and the network; results wait in the database",
    Code.PUBLISH_REFUSED: "correct the broker's access list; results wait in the database",
    Code.SUBSCRIBE_REFUSED: "correct the broker's access list; no request is heard meanwhile",
    Code.OUTBOX: "see to the database; results wait in it",
    Code.LOOP_LAG: "see what else keeps this computer busy, or give the daemon one of its own",
}
_GRAVITY = {"warn": 0, "stop": 1}


@dataclass(frozen=True, slots=True)
class Active:
    """An alarm and when it was first raised."""

    alarm: Alarm
    since: datetime

    @property
    def payload(self) -> c.Alarm:
        """The same in the words of the contract."""
        alarm = self.alarm
        return c.Alarm.model_validate(
            {
                "code": alarm.code,
                "severity": alarm.severity,
                "since": self.since,
                "text": alarm.text,
                "do": alarm.do,
            }
        )


class Board:
    """Listens to what one stand and its publisher say. Knows no clock: the time comes with what is heard."""

    def __init__(self) -> None:
        self._active: dict[str, Active] = {}

    @property
    def active(self) -> Mapping[str, Active]:
        """What is active now, by code."""
        return self._active

    def hear(self, said: Said | Notice, at: datetime) -> list[str]:
        """Takes what was said; gives the codes that were raised, changed or cleared by it."""
        gone = _gone(said)
        changed = [code for code in self._active if gone & set(_clears(code))] if gone else []
        if isinstance(said, Notice) and not said.active and said.code.value in self._active:
            changed.append(said.code.value)
        for code in changed:
            del self._active[code]
        alarm = _raised(said)
        return [*changed, *self._raise(alarm, at)] if alarm is not None else changed

    def _raise(self, alarm: Alarm, at: datetime) -> list[str]:
        """A milder one does not hide what is worse: a verdict that is not stored, behind an event that was not."""
        before = self._active.get(alarm.code)
        if before is not None and (before.alarm == alarm or _GRAVITY[alarm.severity] < _GRAVITY[before.alarm.severity]):
            return []
        self._active[alarm.code] = Active(alarm, at if before is None else before.since)
        return [alarm.code]


def _clears(code: str) -> tuple[Gone, ...]:
    # A code that is missing in the table is a mistake that tests find; it must not end a daemon in the middle of a run.
    return CLEARED_BY.get(code, _RUN)[0]


def _gone(said: Said | Notice) -> set[Gone]:
    if isinstance(said, Begun):
        return {Gone.NEXT_RUN}
    if isinstance(said, Stage):
        room = set() if "disk_full" in said.blocked_by else {Gone.ROOM}
        return room if said.now is not None and said.now.asked else {Gone.NOTHING_ASKED, *room}
    if isinstance(said, LinkChange):
        return {Gone.LINK_UP} if said.link is Link.UP else set()
    if isinstance(said, Identity):
        return {Gone.DEVICE_FITS}
    if isinstance(said, Zeroed):
        return {Gone.ZERO_TAKEN}
    if isinstance(said, Finished):
        files = {Gone.RECORDED: said.data.recording, Gone.TRACED: said.data.trace}
        return {Gone.STORED, *(gone for gone, file in files.items() if file is not None)}
    return set()


def _raised(said: Said | Notice) -> Alarm | None:
    if isinstance(said, Alarm):
        return said
    if isinstance(said, LinkChange) and said.link is not Link.UP and said.reason != CLOSED:
        text = f"the device does not answer ({said.link.name.lower()}): {said.reason}"
        return Alarm(LINK_DOWN, "stop", text, "look at its power and its cable; it is looked for all the time")
    if isinstance(said, Notice) and said.active and said.code in _NOTICES:
        return Alarm(said.code.value, "warn", said.text, _NOTICES[said.code])
    return None
