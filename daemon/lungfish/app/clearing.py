"""When a plugged tube is blown down and what came of it: counts, keeps, tells. `core.clearing` does the blowing."""

from __future__ import annotations

import asyncio
import logging
from typing import TYPE_CHECKING

from lungfish.app.journal import Journal
from lungfish.config import ClearSpec, Tank, blow_setup, clear_setup
from lungfish.core.blow import ClearSetup, told
from lungfish.core.clearing_tries import (
    DAY_S,
    CycleState,
    Outcome,
    TryMoment,
    elapsed_s,
    outcome_of,
    refusal,
    state_of,
)
from lungfish.core.codes import Diagnosis
from lungfish.core.reading import Reading
from lungfish.core.setup import CycleSetup, Learned
from lungfish.ports import Stamp

if TYPE_CHECKING:
    from lungfish.core.clearing import Clearing

__all__ = ["Unplugging"]

KIND = "clearing"
"""Kind of the events that are told of it."""
_CYCLES = 2
"""So many cycles in a row must call for it. One may be a bubble or a slug that passes; and each cycle that runs into a
plug presses on it, so that the second tells whether that was enough."""
_KEPT_WITHIN_S = 5.0


def _moment(at: Stamp) -> TryMoment:
    return TryMoment(boot_id=at.boot_id, monotonic_s=at.monotonic_s, utc_s=at.utc_s)


class Unplugging:
    """Decides for one tank whether its tube is to be blown down after a cycle. Nothing is, unless its file says so.

    Args:
        tank: the tank.
        setup: the tank as its cycle sees it.
        journal: where everything is told and kept.
    """

    def __init__(self, tank: Tank, setup: CycleSetup, journal: Journal) -> None:
        self._tank = tank.name
        self._spec: ClearSpec | None = tank.clear
        self._allowed: ClearSetup | None = clear_setup(tank)
        self._setup = blow_setup(tank, setup)
        self._journal = journal
        self._calls: list[CycleState] = []
        self._before: tuple[CycleState, Reading] | None = None
        self._begun: list[TryMoment] = []
        self._last: Reading | None = None
        self._said = ""

    def take_in(self, reading: Reading) -> None:
        """Look at an ordinary cycle: what came of the try before it, and does it call for another?

        Args:
            reading: of the cycle.
        """
        if self._spec is None:
            return
        state = state_of(reading)
        self._tell_outcome(state, reading)
        self._last = reading
        if state.calls(self._spec.friction_ratio) is not None:
            self._calls = [*self._calls, state][-_CYCLES:]
            return
        self._calls = []
        if state.told:
            self._said = ""

    async def next_try(self, learned: Learned) -> Clearing | None:
        """The machine for a try that is to be made now, which the store has taken down already.

        Args:
            learned: what the tank's cycles know.

        Returns:
            What is to be run; None when nothing calls for it or it may not be.
        """
        if self._spec is None or self._allowed is None or len(self._calls) < _CYCLES or self._last is None:
            return None
        now = self._journal.stamps.now()
        kept = self._journal.keeper.clearing_tries(self._tank)
        if kept is None:
            self._say_once("not blown down, for the store can't say how often it was tried", "store")
            return None
        # what was told to the disk and not heard of again counts as well
        self._begun = [each for each in self._begun if elapsed_s(each, _moment(now)) < DAY_S]
        tries = list({*map(_moment, kept), *self._begun})
        today = sum(elapsed_s(each, _moment(now)) < DAY_S for each in tries)
        if today >= self._spec.tries:
            text = (
                f"given up for now: {today} of {self._spec.tries} tries within 24 h are used and the tube is not free"
            )
            self._say_once(f"{text}; clear it by hand, with care: `lungfish handbook clearing`", "given up")
            return None
        if refusal(tries, _moment(now), per_day=self._spec.tries, between_s=self._spec.between_s) is not None:
            return None  # its time comes
        self._begun.append(_moment(now))
        put_down = await self._put_down(now)
        if put_down is False:
            self._begun.pop()
        if not put_down:  # not heard of within the time: it may be kept after all, and counts
            self._say_once("not blown down, for the store can't keep count of the tries", "store")
            return None
        return self._begin(self._allowed, today + 1, self._spec.tries, learned)

    def _begin(self, allowed: ClearSetup, number: int, tries: int, learned: Learned) -> Clearing:
        state, self._said = self._calls[-1], ""
        cause = Diagnosis.TUBE_PLUGGED if state.plugged else Diagnosis.TUBE_RESTRICTED
        climb_pa_s = max((each.climb_pa_s or 0.0 for each in self._calls), default=0.0)
        if self._last is not None:
            self._before = state, self._last
        self._calls = []
        cut_off = self._spec is not None and self._spec.isolate is not None
        self._event(
            f"try {number} of {tries} within 24 h begins, for {_CYCLES} cycles running said `{cause.value}`: up to "
            f"{allowed.pulses} pulses, never beyond {allowed.limit_pa / 1000.0:.4g} kPa at the transmitter"
            + (", which is cut off from the tube meanwhile" if cut_off else ""),
            logging.WARNING,
        )
        from lungfish.core.clearing import Clearing  # few sites ever blow a tube down; the others need not hold it

        return Clearing(self._setup, learned, allowed, climb_pa_s)

    def not_made(self, why: str) -> None:
        """A try that was taken down already could not be made after all; it counts.

        Args:
            why: what stood in the way.
        """
        self._before = None
        self._event(f"not blown down, for {why}", logging.WARNING)

    def ended(self, clearing: Clearing) -> None:
        """A try is over: tell what was done. What came of it the next cycle tells.

        Args:
            clearing: the machine that was run.
        """
        self._event(told(clearing.blow))

    def _tell_outcome(self, state: CycleState, reading: Reading) -> None:
        if self._before is None:
            return
        before, reading_before = self._before
        outcome = outcome_of(before, state, reading.quality)
        if outcome is Outcome.NOT_KNOWN:
            return  # the next cycle that can tell will
        self._before = None
        text = f"result of the try: {outcome.value}; before it `{reading_before.diagnosis}`, now `{reading.diagnosis}`"
        friction_pa, expected_pa = reading.features.friction_pa, reading.features.expected_friction_pa
        if friction_pa is not None and expected_pa is not None:
            text += f", friction {friction_pa:.0f} Pa where {expected_pa:.0f} Pa are expected"
        self._event(text, logging.INFO if outcome is Outcome.CLEARED else logging.WARNING)

    async def _put_down(self, now: Stamp) -> bool | None:
        """Have the store take the try down before its first pulse; None when it does not answer, which means no."""
        kept = asyncio.wrap_future(self._journal.keeper.put_clearing_try(self._tank, now))
        done, _ = await asyncio.wait({kept}, timeout=_KEPT_WITHIN_S)
        return kept.result() if done else None

    def _say_once(self, text: str, what: str) -> None:
        if self._said != what:
            self._said = what
            self._event(text, logging.WARNING)

    def _event(self, text: str, level: int = logging.INFO) -> None:
        self._journal.event(KIND, text, tank=self._tank, level=level)
