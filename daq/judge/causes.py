"""What may be behind a unit that does not do as it should: a table of causes and of the signs that go with each.

All of it is common practice, no source: what people at such benches look for, and how much they make of it. Weights
are plain: 1 for a sign that belongs to a cause, 0.5 for one that only fits, 2 or more for one that hardly has another.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field

BASIS = "common practice, no source"
"""What a hint rests on, shown wherever hints are."""


@dataclass(frozen=True, slots=True)
class Cause:
    """A possible cause. `needs` holds groups of signs; without one of each the cause is not thought of. `speaks` and
    `contradicts` weigh signs for and against it. `in_module` is its name in a module, where that differs."""

    name: str
    needs: tuple[frozenset[str], ...]
    speaks: Mapping[str, float]
    contradicts: Mapping[str, float] = field(default_factory=dict)
    in_module: str = ""


def _any(*signs: str) -> frozenset[str]:
    return frozenset(signs)


CAUSES = (
    Cause(
        "the stand, not the unit: supply set too low, thin leads or a bad contact",
        (_any("supply low"),),
        {"supply low": 3.0},
        {"current high": 1.0, "current far": 1.0},
    ),
    Cause(
        "open circuit: plug, winding, or a brush that does not touch",
        (_any("current none"),),
        {"current none": 3.0, "flow none": 0.5},
        {"flow ok": 2.0, "flow low": 2.0},
    ),
    Cause(
        "rotor seized, or something jams it",
        (_any("current far"),),
        {"current far": 2.0, "flow none": 1.0, "speed low": 0.5},
        {"flow ok": 2.0, "flow low": 1.0, "speed ok": 1.0},
    ),
    Cause(
        "lost prime, or the coupling between motor and pump sheared",
        (_any("flow none"),),
        {"flow none": 2.0, "current ok": 0.5, "current low": 0.5, "speed high": 0.5, "shutoff low": 0.5},
        {"current none": 2.0, "current far": 2.0, "current high": 1.0, "shutoff ok": 1.0},
    ),
    Cause(
        "the jet that fills the reservoir is blocked, or the foot valve sticks",
        (_any("fill high"),),
        {"fill high": 2.0, "shutoff ok": 0.5, "flow ok": 0.5},
    ),
    Cause(
        "bearing drag, or something rubs",
        (_any("current high", "speed low"),),
        {"current high": 2.0, "speed low": 1.0, "flow low": 0.5, "efficiency low": 0.5},
        {"current low": 2.0, "current ok": 1.0, "speed ok": 1.0, "speed high": 1.0},
    ),
    Cause(
        "outlet or filter of the unit blocked",
        (_any("open current high"), _any("flow low", "flow none", "shutoff high")),
        {"open current high": 1.0, "flow low": 1.0, "flow none": 0.5, "shutoff high": 1.0, "shutoff ok": 0.5},
        {"shutoff low": 1.0, "flow ok": 1.0},
    ),
    Cause(
        "strainer blocked, or the inlet restricted",
        (_any("flow low", "flow none"),),
        {"flow low": 1.0, "flow none": 0.5, "shutoff ok": 1.0, "curve low": 0.5, "current ok": 0.5, "current low": 0.5},
        {"shutoff low": 1.0, "current high": 1.0, "current none": 1.0, "speed low": 1.0},
    ),
    Cause(
        "relief valve opens too early or leaks",
        (_any("shutoff low"),),
        {"shutoff low": 1.0, "flow ok": 1.0, "current ok": 0.5, "residual low": 0.5},
        {"flow low": 1.0, "flow none": 1.0, "speed low": 1.0},
        in_module="pressure regulator opens too early or leaks",
    ),
    Cause(
        "relief valve sticks or opens too late",
        (_any("shutoff high"),),
        {"shutoff high": 1.0, "flow ok": 1.0, "current high": 0.5},
        {"flow low": 1.0, "flow none": 1.0},
        in_module="pressure regulator sticks or is set too high, or its return is blocked",
    ),
    Cause(
        "worn pump: wide gaps inside",
        (_any("flow low", "shutoff low", "curve low"),),
        {
            **{"flow low": 1.0, "shutoff low": 1.0, "curve low": 1.0, "efficiency low": 0.5, "speed ok": 0.5},
            **{"current ok": 0.5, "current low": 0.5, "fill high": 0.5},
        },
        {"flow ok": 1.0, "shutoff ok": 1.0, "curve ok": 1.0, "current high": 1.0, "speed low": 1.0},
    ),
    Cause(
        "air drawn in: inlet not tight, or too little fluid above it",
        (_any("flow low", "flow unsteady", "pressure unsteady", "shutoff low"),),
        {
            **{"flow unsteady": 2.0, "pressure unsteady": 1.0, "flow low": 1.0, "shutoff low": 0.5},
            **{"current low": 1.0, "speed high": 0.5},
        },
        {"flow steady": 1.0, "flow ok": 1.0, "shutoff ok": 1.0, "current high": 1.0},
    ),
    Cause(
        "worn brushes, a bad contact or a high resistance inside the motor",
        (_any("speed low"),),
        {"speed low": 1.0, "current low": 1.0, "current ok": 0.5, "flow low": 0.5, "shutoff low": 0.5},
        {"current high": 1.0, "current far": 1.0},
    ),
    Cause(
        "bad segment of the commutator, or an open winding",
        (_any("waveform odd"),),
        {"waveform odd": 2.0, "speed low": 0.5, "current low": 0.5},
    ),
    Cause(
        "winding shorted in part",
        (_any("current far", "current high"),),
        {"current far": 1.0, "current high": 0.5, "waveform odd": 1.0, "speed low": 0.5},
        {"waveform even": 1.0, "speed ok": 0.5},
    ),
    Cause(
        "check valve of the unit leaks",
        (_any("residual low"),),
        {"residual low": 2.0, "shutoff ok": 0.5},
        {"shutoff low": 0.5},
        in_module="check valve or pressure regulator of the module leaks",
    ),
    Cause(
        "the stand, not the unit: a joint or the valve leaks more than when its leak was last measured",
        (_any("residual low"),),
        {"residual low": 1.0},
    ),
)
