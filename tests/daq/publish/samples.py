"""Payloads of an invented bench, as values."""

from datetime import UTC, datetime
from typing import Any

from daq.publish.contract import (
    Conditions,
    File,
    Finding,
    Link,
    Presence,
    Quality,
    Quantity,
    Reading,
    ResultData,
    Status,
    Versions,
    Word,
)

NOW = datetime(2031, 5, 4, 7, 12, 9, 120_000, tzinfo=UTC)
RUN = "01970000-0000-7000-8000-000000000001"
STATUS = Status(state=Presence.ONLINE, since=NOW, boot="9f2c61d0", software="0.1.0", link=Link.UP, sim=0)
PRESSURE = Quantity(value=450.0, unit="kPa", reference="gauge")
FINDING = Finding(
    requirement="shutoff pressure",
    quantity="peak_pressure",
    stage="shutoff",
    at_least=PRESSURE,
    mode="decide",
    guard=1.0,
    reading="peak_pressure.shutoff",
    finding="met",
    p_conform=0.99997,
)
READING = Reading(
    name="peak_pressure.shutoff",
    quantity="peak_pressure",
    stage="shutoff",
    value=512.25,
    unit="kPa",
    reference="gauge",
    u=1.5,
    U=3.1,
    k=2.07,
    dof=21.5,
    n_effective=9.25,
    window=(31.25, 32.25),
    corrections={"peak bias": -0.8},
)


def data(**changes: Any) -> ResultData:
    """A run that passed."""
    facts: dict[str, Any] = {
        "run": RUN,
        "seq": 1842,
        "site": "marrow-hill",
        "stand": "bench-1",
        "mode": "followed",
        "sim": 0,
        "part": "MH-2140",
        "part_revision": 3,
        "kind": "pump",
        "serial": "K00317",
        "serial_given": True,
        "order": "WO 7",
        "attempt": 1,
        "earlier_runs": [],
        "started": NOW,
        "ended": NOW,
        "pump_on_s": 24.5,
        "verdict": Word.PASS,
        "why": "",
        "findings": [FINDING],
        "readings": [READING],
        "conditions": Conditions(voltage=Quantity(value=13.5, unit="V"), fluid="test fluid"),
        "quality": Quality(scans_expected=15000, scans_received=15000),
        "versions": Versions(software="0.1.0", decision={"guard": 1.0}),
        "trace": File(file="run.parquet", sha256="ab" * 32, bytes=4711),
    }
    return ResultData(**{**facts, **changes})
