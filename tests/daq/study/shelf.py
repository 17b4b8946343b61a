"""Recorded runs of an invented shelf of units, as the record gives them."""

from typing import Any

Data = dict[str, Any]
LIMIT = {"value": 110.0, "unit": "L/h"}


def run(number: int, serial: str, value: float | None, **changes: Any) -> Data:
    """The n-th run: free flow read as `value` (None: not at all), at least 110 L/h wanted."""
    finding = {
        "requirement": "free flow",
        "stage": "free_flow",
        "quantity": "flow",
        "at_least": LIMIT,
        "at_most": None,
        "reading": "free_flow.flow",
    }
    reading = {"name": "free_flow.flow", "value": value}
    facts: Data = {
        "run": f"run-{number:03d}",
        "started": f"2031-05-04T07:{number // 60:02d}:{number % 60:02d}Z",
        "serial": serial,
        "operator": None,
        "part_revision": 3,
        "verdict": "pass",
        "findings": [finding],
        "readings": [reading],
    }
    return facts | changes


def in_turns(units: int, operators: tuple[str, ...], trials: int) -> list[Data]:
    """Every operator tests every unit `trials` times; unit k gives 120 + k, operator j reads 0.1 j more, and trials
    scatter by ± 0.02."""
    runs = []
    for trial in range(trials):
        for j, operator in enumerate(operators):
            for k in range(units):
                value = 120.0 + k + 0.1 * j + 0.02 * (-1) ** (trial + j + k)
                runs.append(run(len(runs), f"K{k:02d}", value, operator=operator))
    return runs
