"""What is known of a board that prints lines, and the same as a recording keeps it."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from drivers.block import AnalogInput, Feature, Identity, Input, PulseRole
from drivers.text_lines_header import TICK_HZ, Layout, read_header
from drivers.text_lines_row import Place

GAP = 1.5
"""Times further apart than so many times the usual have lost lines between them."""


@dataclass(frozen=True, slots=True)
class Known:
    """What was found out of a board: `period` is the usual ticks from scan to scan."""

    layout: Layout
    period: float
    identity: Identity


@dataclass(frozen=True, slots=True)
class State:
    """What a decoder knows between two blocks.

    `layout` is that of the lines to come, None while a header is waited for. `place` is where counting stands, None
    before the first scan since the board began; while `learning` the board's rate is being found out. `why` says what
    made it begin anew.
    """

    known: Known | None = None
    layout: Layout | None = None
    place: Place | None = None
    learning: bool = False
    why: str = ""
    overlong: bool = False


def state_body(state: State) -> dict[str, object]:
    """A state, fit for JSON."""
    known, place = state.known, state.place
    told: dict[str, object] | None = None
    if known is not None:
        resolution = [channel.resolution for channel in known.identity.analog]
        told = {"header": known.layout.text, "period": known.period, "boot": known.identity.boot, "steps": resolution}
    return {
        "known": told,
        "header": state.layout.text if state.layout else None,
        "place": [getattr(place, name) for name in Place.__slots__] if place else None,
        "learning": state.learning,
        "why": state.why,
        "overlong": state.overlong,
    }


def state_of(body: Mapping[str, Any], device_id: str) -> State:
    """The state that `state_body` wrote.

    Raises:
        KeyError, TypeError, ValueError: it did not write this.
    """
    told, header, place = body["known"], body["header"], body["place"]
    known = None
    if told is not None:
        layout = read_header(told["header"])
        period = float(told["period"])
        identity = identity_of(device_id, int(told["boot"]), layout, period, [1.0] * len(layout.analog))
        steps = zip(identity.analog, told["steps"], strict=True)
        known = Known(
            layout, period, replace(identity, analog=tuple(replace(c, resolution=float(s)) for c, s in steps))
        )
    return State(
        known=known,
        layout=read_header(header) if header is not None else None,
        place=Place(*(int(number) for number in place)) if place is not None else None,
        learning=bool(body["learning"]),
        why=str(body["why"]),
        overlong=bool(body["overlong"]),
    )


def identity_of(device_id: str, boot: int, layout: Layout, period: float, digits: Sequence[float]) -> Identity:
    """What a board is that prints such lines every `period` ticks; `digits` is by column the unit of its last digit."""
    columns = zip(layout.analog, digits, strict=True)
    return Identity(
        protocol=0,
        features=Feature(0),
        device_id=device_id,
        firmware="text lines",
        inputs_fitted=Input(0),
        reset_cause=0,
        boot=boot,
        tick_hz=TICK_HZ,
        sample_hz=max(1, round(TICK_HZ / period)),
        burst_max_hz=0,
        burst_max_total=0,
        analog=tuple(AnalogInput(c.role, 0, 0, 0.0, resolution=c.factor * digit) for c, digit in columns),
        pulse=() if layout.pulse is None else (PulseRole.FLOW,),
    )


def period_of(ticks: Sequence[int]) -> float:
    """The usual distance of times: the mean of those that no gap makes longer, so that few digits do no harm."""
    apart = np.diff(np.array(ticks, dtype=np.float64))
    usual = apart[apart <= GAP * max(float(np.median(apart)), 0.0)]
    return float(usual.mean()) if float(np.median(apart)) > 0.0 and usual.size else 0.0
