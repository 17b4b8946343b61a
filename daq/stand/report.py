"""What a stand says as plain records, for a log line, a terminal or another program."""

from typing import Any

from daq.procedure.effects import Alarm, Noted, StageNow, Taken
from daq.publish import contract as c
from daq.publish.notices import Notice
from daq.stand.result import finding, reading
from daq.stand.said import Begun, Finished, Live, Said, Stage, Zeroed
from drivers.block import Identity, LinkChange


def record(said: Said | Notice, absolute: bool = False) -> dict[str, Any] | None:
    """A record with `event` and what belongs to it, fit for JSON; None for what only a display wants."""
    made = _of_run(said, absolute)
    if made is not None or isinstance(said, Live):
        return made
    if isinstance(said, LinkChange):
        return {"event": "link", "link": said.link.name.lower(), "reason": said.reason}
    if isinstance(said, Zeroed):
        return {"event": "zero", "pressure_pa": said.zero.pressure, "current_a": said.zero.current}
    if isinstance(said, Identity):
        named = {"id": said.device_id, "firmware": said.firmware, "simulated": said.simulated}
        return {"event": "device", **named}
    if isinstance(said, Alarm):
        return {"event": "alarm", "code": said.code, "severity": said.severity, "text": said.text, "do": said.do}
    if isinstance(said, Notice):
        return {"event": "notice", "code": said.code.value, "active": said.active, "text": said.text}
    return None


def _of_run(said: Said | Notice, absolute: bool) -> dict[str, Any] | None:
    if isinstance(said, Begun):
        about = said.about
        named = {name: getattr(about, name) for name in ("run", "part", "kind", "serial", "attempt", "sim")}
        return {"event": "run_begun", **named, "stages": list(said.stages)}
    if isinstance(said, Stage):
        return _stage(said)
    if isinstance(said, Taken):
        findings = [c.plain(finding(f, absolute)) for f in said.findings]
        return {"event": "reading", **c.plain(reading(said.reading, absolute)), "findings": findings}
    if isinstance(said, Noted):
        return {"event": "note", "t": round(said.t, 2), "what": said.what, "detail": said.detail}
    if isinstance(said, Finished):
        return {"event": "run_finished", **c.plain(said.data)}
    return None


def _stage(said: Stage) -> dict[str, Any]:
    now: StageNow | None = said.now
    return {
        "event": "stage",
        "run": said.about.run if said.about else None,
        "stage": now.stage if now else "idle",
        "t": round(now.since, 2) if now else None,
        "do": said.do.value,
        "text": said.text,
        "asked": bool(now and now.asked),
        "blocked_by": list(said.blocked_by),
    }
