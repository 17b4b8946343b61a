"""Runs of an invented bench, to be put into a store."""

from collections.abc import Callable
from copy import deepcopy
from datetime import UTC, datetime, timedelta
from typing import Any

from daq.record.times import rfc3339
from daq.record.values import Finished, StartedRun

START = datetime(2031, 5, 4, 7, 12, 9, 120_000, tzinfo=UTC)
BENCH = "marrow-hill/bench-1"
DIGEST = "7f3a" * 16
"""Of the content of some request."""

_FINDING: dict[str, Any] = {
    "requirement": "shutoff pressure",
    "quantity": "peak_pressure",
    "stage": "shutoff",
    "at": None,
    "after": None,
    "at_least": {"value": 450.0, "unit": "kPa", "reference": "gauge"},
    "at_most": {"value": 650.0, "unit": "kPa", "reference": "gauge"},
    "mode": "decide",
    "guard": 1.0,
    "reading": "peak_pressure.shutoff",
    "finding": "met",
    "p_conform": 0.99997,
}
_RATED: dict[str, Any] = {
    **_FINDING,
    "requirement": "rated flow",
    "quantity": "flow",
    "stage": "rated",
    "at": {"value": 300.0, "unit": "kPa", "reference": "gauge"},
    "at_least": {"value": 80.0, "unit": "L/h"},
    "at_most": None,
    "reading": None,
    "finding": "void",
    "p_conform": None,
}
_READING: dict[str, Any] = {
    "name": "peak_pressure.shutoff",
    "quantity": "peak_pressure",
    "stage": "shutoff",
    "value": 512.0000000001,
    "unit": "kPa",
    "reference": "gauge",
    "u": 1.5,
    "U": 3.1,
    "k": 2.07,
    "dof": 21.5,
    "n_effective": 9.25,
    "window": [31.25, 32.25],
    "interval": None,
    "corrections": {"bias of the peak": -0.8},
    "flags": ["repeated values"],
}
_SILENT: dict[str, Any] = {
    **_READING,
    "name": "flow.shutoff",
    "quantity": "flow",
    "value": None,
    "unit": "L/h",
    "reference": None,
    "interval": [0.0, 0.9],
    "window": None,
}


def started(number: int = 1, **changes: Any) -> StartedRun:
    """The n-th run of the day, a minute after the one before."""
    facts: dict[str, Any] = {
        "run": f"01970000-0000-7000-8000-{number:012d}",
        "site": "marrow-hill",
        "stand": "bench-1",
        "mode": "followed",
        "sim": False,
        "source": "serial:///dev/ttyACM0",
        "part": "MH-2101",
        "part_revision": 3,
        "part_digest": "sha256:aa",
        "part_body": {"part": "MH-2101"},
        "kind": "pump",
        "serial": "K00317",
        "serial_given": True,
        "started": START + timedelta(minutes=number),
        "config_digest": "sha256:cc",
        "config": {"stand": "bench-1"},
        "versions": {"software": "0.1.0"},
    }
    return StartedRun(**{**facts, **changes})


def result(run: StartedRun, seq: int, verdict: str = "void") -> dict[str, Any]:
    """The result's data of a run that took half a minute."""
    return deepcopy(
        {
            **{key: getattr(run, key) for key in ("run", "site", "stand", "mode", "part", "part_revision", "kind")},
            **{key: getattr(run, key) for key in ("serial", "serial_given", "order", "operator")},
            "seq": seq,
            "sim": int(run.sim),
            "attempt": 1,
            "earlier_runs": [],
            "started": rfc3339(run.started),
            "ended": rfc3339(run.started + timedelta(seconds=30)),
            "pump_on_s": 24.5,
            "verdict": verdict,
            "why": "rated flow",
            "findings": [_FINDING, _RATED],
            "readings": [_READING, _SILENT],
            "conditions": {"voltage": {"value": 13.5, "unit": "V"}, "fluid": "test fluid", "fluid_temperature": None},
            "hints": [],
            "quality": {"scans_expected": 15000, "scans_received": 15000},
            "versions": {"software": "0.1.0", "firmware": "1.2.0"},
            "trace": {"file": "trace.parquet", "sha256": "ab" * 32, "bytes": 4711},
            "recording": None,
            "overshoot": {"value": 530.0, "unit": "kPa", "reference": "gauge"},
        }
    )


def finish(run: StartedRun, verdict: str = "void") -> Callable[[int], Finished]:
    return lambda seq: Finished(result(run, seq, verdict), [("result", f'{{"seq":{seq}}}')])
