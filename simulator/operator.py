"""A person at the bench who does what is asked, in virtual time, with a reaction time and hand speeds."""

from collections.abc import Sequence
from dataclasses import dataclass
from heapq import heapify, heappop, heappush
from math import inf
from typing import Protocol

from simulator.design import Cue, Habits
from simulator.errors import unknown
from simulator.words import WORDS

LOOK = 0.25
"""How often a person who waits looks at the reservoir, s."""
FULL = 0.98
"""The share of the reservoir at which a person calls it filled."""


class Hands(Protocol):
    """What a person at the bench can do and see."""

    @property
    def time(self) -> float: ...

    @property
    def level(self) -> float | None:
        """Share of the reservoir that is full; None for a bare pump."""
        ...

    @property
    def powered(self) -> bool: ...

    def switch(self, on: bool) -> None: ...

    def aim_valve(self, travel: float, full_travel: float) -> None:
        """Moves the valve to a travel (0 … 1) at `full_travel` seconds from end to end."""
        ...

    def connect(self) -> None: ...

    def immerse(self) -> None: ...

    def hold_return(self) -> None: ...

    def remove(self) -> None: ...

    def pressurise(self) -> None:
        """Pumps the line up by hand; takes less than a second."""
        ...


@dataclass(frozen=True, slots=True)
class Step:
    """After so many seconds (the name of one of the habits) an action."""

    after: str
    action: str


TABLE: dict[str, tuple[Step, ...]] = {
    "connect": (Step("reaction", "open_quickly"), Step("task", "connect")),
    "dry_check": (Step("reaction", "power_on"), Step("dry_run", "power_off")),
    "immerse": (Step("reaction", "nothing"), Step("task", "immerse")),
    "hold_return": (Step("reaction", "nothing"), Step("task", "hold_return")),
    "power_on": (Step("reaction", "power_on"),),
    "power_off": (Step("reaction", "power_off"),),
    "open_valve": (Step("reaction", "open_quickly"), Step("quick_travel", "say_open")),
    "open_valve_slowly": (Step("reaction", "open_slowly"),),
    "close_valve": (Step("reaction", "close_quickly"), Step("quick_travel", "say_shut")),
    "close_valve_slowly": (Step("reaction", "close_slowly"),),
    "pressurise": (Step("reaction", "close_quickly"), Step("quick_travel", "nothing"), Step("reaction", "pressurise")),
    "wait": (Step("reaction", "watch"),),
    "remove": (Step("reaction", "power_off"), Step("task", "remove")),
    "none": (),
}
"""What a word makes a person do, step after step."""

SWITCHING = frozenset({"power_on", "power_off"})
TURNING = frozenset({"open_quickly", "open_slowly", "close_quickly", "close_slowly", "say_open", "say_shut"})
"""Actions of somebody who has switch or valve in his hands; where the device moves them he has not."""

OVERRULED = {"power_on": "power_off", "power_off": "power_on", "remove": "power_on", "dry_check": "power_off"}
"""A word, and the action still to come from an earlier word that is dropped when it is heard: on power the last word
counts."""


class Operator:
    """The person. `due` is the time of the next action; the bench calls `act` then.

    With a script the person hears nothing and follows it, counted from `begin`. `sees_level` is False where the stand
    has no level sensor, so that the person says when a module is filled. A person who `switches` has the pump's switch,
    one who `turns` the valve; for another a word that asks for it passes in its time and nothing happens.
    """

    def __init__(
        self,
        hands: Hands,
        habits: Habits,
        script: Sequence[Cue] | None = None,
        *,
        sees_level: bool,
        switches: bool = True,
        turns: bool = True,
    ) -> None:
        self.due = inf
        self._beyond = (frozenset() if switches else SWITCHING) | (frozenset() if turns else TURNING)
        self._hands = hands
        self._habits = habits
        self._script = script
        self._says_filled = not sees_level
        self._last = ""
        self._begun = False
        self._plans: list[tuple[float, int, str]] = []
        self._count = 0
        self._said: list[str] = []

    def hear(self, do: str) -> None:
        """Hears what is to be done. The same word again changes nothing; with a script every word goes unheard.

        Raises:
            UnknownNameError: nobody knows this word.
        """
        if do not in WORDS:
            raise unknown("word to the operator", do, list(WORDS))
        if self._script is None and do != self._last:
            self._last = do
            self._plan_word(do)

    def begin(self) -> None:
        """The first scan is streamed: a script counts from now. Called again it does nothing."""
        if self._begun or self._script is None:
            return
        self._begun = True
        for cue in self._script:
            self._plan(self._hands.time + cue.at, f"hear {cue.do}" if cue.do else f"say {cue.confirm}")

    def forget(self) -> None:
        """Another unit lies on the bench: words heard before are over."""
        self._last = ""
        if self._script is None:
            self._plans.clear()
            self.due = inf

    def take_confirmations(self) -> list[str]:
        """What was said since the last call."""
        said, self._said = self._said, []
        return said

    def act(self) -> None:
        """Does everything that is due."""
        while self._plans and self._plans[0][0] <= self._hands.time:
            _, _, action = heappop(self._plans)
            self._do(action)
        self.due = self._plans[0][0] if self._plans else inf

    def _plan(self, when: float, action: str) -> None:
        self._count += 1
        heappush(self._plans, (when, self._count, action))
        self.due = self._plans[0][0]

    def _plan_word(self, word: str) -> None:
        dropped = OVERRULED.get(word)
        self._plans = [plan for plan in self._plans if plan[2] != dropped]
        heapify(self._plans)
        self.due = self._plans[0][0] if self._plans else inf
        when = self._hands.time
        for step in TABLE[word]:
            when += getattr(self._habits, step.after)
            if step.action not in self._beyond:
                self._plan(when, step.action)

    def _do(self, action: str) -> None:
        verb, _, rest = action.partition(" ")
        if verb == "hear":
            self._last = rest
            self._plan_word(rest)
        elif verb == "say":
            self._said.append(rest)
        else:
            getattr(self, f"_{action}")()

    def _nothing(self) -> None:
        """The hand is on its way."""

    def _power_on(self) -> None:
        self._hands.switch(True)

    def _power_off(self) -> None:
        self._hands.switch(False)

    def _open_quickly(self) -> None:
        self._hands.aim_valve(1.0, self._habits.quick_travel)

    def _open_slowly(self) -> None:
        self._hands.aim_valve(1.0, self._habits.slow_travel)

    def _close_quickly(self) -> None:
        self._hands.aim_valve(0.0, self._habits.quick_travel)

    def _close_slowly(self) -> None:
        self._hands.aim_valve(0.0, self._habits.slow_travel)

    def _connect(self) -> None:
        self._hands.connect()
        self._said.append("connected")

    def _immerse(self) -> None:
        self._hands.immerse()
        self._said.append("in_fluid")

    def _hold_return(self) -> None:
        self._hands.hold_return()
        self._said.append("return_held")

    def _remove(self) -> None:
        self._hands.remove()
        self._said.append("removed")

    def _pressurise(self) -> None:
        self._hands.pressurise()

    def _say_open(self) -> None:
        self._said.append("valve_open")

    def _say_shut(self) -> None:
        if not self._hands.powered:
            self._said.append("valve_shut")

    def _watch(self) -> None:
        if self._last != "wait" or not self._says_filled:
            return
        level = self._hands.level
        if level is not None and level >= FULL:
            self._said.append("filled")
        elif level is not None:
            self._plan(self._hands.time + LOOK, "watch")
