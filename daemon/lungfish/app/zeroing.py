"""When a transmitter's zero is looked at and what becomes of that: keeps, tells, widens or corrects the readings."""

from __future__ import annotations

import logging
from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING

from lungfish.app.journal import Journal
from lungfish.config import Tank, VentSpec
from lungfish.core.codes import Diagnosis
from lungfish.core.reading import Reading
from lungfish.core.setup import CycleSetup, Learned
from lungfish.core.zero import (
    Outcome,
    Source,
    Zero,
    begun,
    beyond,
    came_back,
    cut_off,
    less_zero,
    removable,
    seen_at_tip,
    shifted,
    told,
    widened,
)
from lungfish.ports import PressureSample, Stamp, Transmitter, ZeroRecord

if TYPE_CHECKING:
    from lungfish.core.venting import ZeroCheck

__all__ = ["KIND", "ZeroedTransmitter", "Zeroing"]

KIND = "zero"
"""Kind of the events that are told of it."""
_AGAIN_S = 3600.0
"""After a check that came to nothing the next one is made so much later."""
_TIP_EVERY_S = 86400.0
"""An uncovered tip may stay so for weeks: its zero is kept once a day, unless it has come to matter or ceased to."""
_TIP_HOLDS_S = 30 * 86400.0
"""So long a drift seen at an uncovered tip widens the readings: somebody may have set the zero since."""
_CAME_BACK_SAMPLES = 5
_UNHEARD = frozenset({Diagnosis.LINK_LOST, Diagnosis.TRANSMITTER_FAULT})
"""After these another transmitter may be there."""
_NO_TIME = _UNHEARD | {Diagnosis.ABORTED, Diagnosis.VALVE_STUCK_OPEN, Diagnosis.OVER_RANGE}


class ZeroedTransmitter:
    """A transmitter with what is known of its zero taken out of what it shows.

    Args:
        inner: the transmitter itself.
    """

    def __init__(self, inner: Transmitter) -> None:
        self.inner = inner
        self.zero_pa = 0.0
        """Taken out, Pa."""

    async def read(self) -> PressureSample:
        """Take one reading.

        Raises:
            DeviceError: no usable answer.
        """
        sample = await self.inner.read()
        return replace(sample, gauge_pa=sample.gauge_pa - self.zero_pa) if self.zero_pa else sample


class Zeroing:
    """Follows the zero of one tank's transmitter.

    Args:
        tank: the tank.
        setup: the tank as its cycle sees it.
        config: hash of its settings: a zero that was seen under others counts no more.
        journal: where everything is told and kept.
        transmitter: its transmitter.
    """

    def __init__(self, tank: Tank, setup: CycleSetup, config: str, journal: Journal, transmitter: Transmitter) -> None:
        self._tank = tank.name
        self._vent: VentSpec | None = tank.transmitter.vent
        self._plain = setup
        self._config = config
        self._journal = journal
        self.transmitter = ZeroedTransmitter(transmitter)
        """What cycles read."""
        self.setup = setup
        """The tank as the next cycle is to see it."""
        self._loaded = False
        self._by_vent: ZeroRecord | None = None
        self._at_tip: ZeroRecord | None = None
        self._tried: ZeroRecord | None = None
        self._before: ZeroRecord | None = None
        self._doubt: Zero | None = None
        self._doubt_before: Zero | None = None
        self._fresh = False
        self._recheck = self._vent is not None and self._vent.correct
        self._shift_pa = 0.0
        self._load()

    # -- what cycles are given -----------------------------------------------------------------------------------------

    def adjusted(self, learned: Learned) -> Learned:
        """What was learned, in terms of what the transmitter shows now that its zero was looked at.

        Args:
            learned: by the cycles so far.
        """
        shift_pa, self._shift_pa = self._shift_pa, 0.0
        return shifted(learned, shift_pa) if shift_pa else learned

    def evidence(self) -> Mapping[str, object] | None:
        """What a reading is to say of the zero that it was taken with; None when nothing is known of it."""
        record = self._counts()
        if record is None:
            return None
        return {
            "zero_pa": record.zero.zero_pa,
            "u_pa": record.zero.u_pa,
            "source": record.zero.source.value,
            "utc_s": record.at.utc_s,
            "taken_out_pa": self.transmitter.zero_pa,
            "transmitter_u_pa": self.setup.transmitter_u_pa,
        }

    def take_in(self, reading: Reading, learned: Learned) -> Reading:
        """Look at an ordinary cycle: may its transmitter be believed, and does it show the zero itself?

        Args:
            reading: of the cycle.
            learned: what was known before it.

        Returns:
            The reading, or what is left of it.
        """
        if self._doubt is not None and len(reading.trace) >= _CAME_BACK_SAMPLES:
            taken_pa = self.transmitter.zero_pa
            seen = sum(came_back(self._doubt, sample.gauge_pa + taken_pa) for sample in reading.trace)
            if seen < _CAME_BACK_SAMPLES:
                return cut_off(reading, self._doubt, learned)
            self._doubt = None
            self._journal.event(KIND, "the transmitter shows the tube's pressure again", tank=self._tank)
        if reading.codes & _UNHEARD and self._fresh:
            self._fresh, self._recheck = False, True
            self._apply()
        zero = seen_at_tip(self._plain, reading, self.transmitter.zero_pa)
        if zero is not None and self._tip_is_news(zero):
            self._keep(zero)
        elif self._at_tip is not None:
            self._apply()  # it holds for a while only
        return reading

    # -- checks with the vent ------------------------------------------------------------------------------------------

    def next_check(self, reading: Reading, learned: Learned) -> ZeroCheck | None:
        """The machine for a check that is to be made now; None when none is.

        Args:
            reading: of the cycle that has just ended.
            learned: what the tank's cycles know.
        """
        if self._vent is None or reading.codes & _NO_TIME or not self._load() or not self._is_due():
            return None
        if begun(self._plain, reading).came_back is None:
            return None  # too little stands in the tube to see by whether the vent opens and shuts
        from lungfish.core.venting import ZeroCheck  # only sites with a vent valve need to hold it

        return ZeroCheck(self._plain, learned, self._vent.valve.max_open_s)

    def begin(self, reading: Reading) -> None:
        """A check is about to be made: keep that, so that a death in it is known of.

        Args:
            reading: of the cycle that has just ended.
        """
        self._doubt_before = self._doubt
        self._put(begun(self._plain, reading))

    def ended(self, check: ZeroCheck) -> None:
        """A check is over: keep and tell what it found.

        Args:
            check: the machine that was run.
        """
        zero = check.zero
        if not check.opened:  # all is as it was before
            zero = replace(zero, came_back=self._doubt_before is None)
        self._keep(zero)

    def not_made(self, why: str) -> None:
        """A check that was due could not be made.

        Args:
            why: what stood in the way.
        """
        self._journal.event(KIND, f"the zero was not checked, for {why}", tank=self._tank, level=logging.WARNING)

    def _is_due(self) -> bool:
        if self._vent is None:
            return False
        if self._tried is None or self._recheck:
            return True
        zero = self._tried.zero
        sound = zero.outcome is Outcome.MEASURED and zero.came_back is not False
        return (
            not 0.0 <= self._age_s(self._tried) < (self._vent.every_s if sound else min(_AGAIN_S, self._vent.every_s))
        )

    def _age_s(self, record: ZeroRecord) -> float:
        """Time since a look, s: within a boot by the clock that never steps; below 0 if the other was set back."""
        now: Stamp = self._journal.stamps.now()
        if now.boot_id == record.at.boot_id:
            return now.monotonic_s - record.at.monotonic_s
        return now.utc_s - record.at.utc_s

    # -- keeping -------------------------------------------------------------------------------------------------------

    def _load(self) -> bool:
        """Whether it is known what was kept."""
        if self._loaded:
            return True
        kept = self._journal.keeper.zeros(self._tank)
        if kept is None:
            return False
        self._loaded = True
        for record in reversed(kept):
            if record.config == self._config:
                self._note(record)
        self._apply()
        self._shift_pa = 0.0
        return True

    def _note(self, record: ZeroRecord) -> None:
        zero = record.zero
        if zero.source is Source.VENT:
            self._tried = record
            if zero.came_back is not None:
                self._doubt = None if zero.came_back else zero
        if zero.outcome is Outcome.MEASURED:
            if zero.source is Source.VENT:
                self._by_vent = record
            else:
                self._at_tip = record

    def _keep(self, zero: Zero) -> None:
        was, tried = self._counts(), self._before
        self._put(zero)
        self._before = self._tried
        if zero.source is Source.VENT:
            self._fresh, self._recheck = zero.outcome is Outcome.MEASURED, False
        self._apply()
        drifted, before = beyond(self._plain, zero), was is not None and beyond(self._plain, was.zero)
        # what fails hour after hour is told once
        again = tried is not None and tried.zero.outcome is zero.outcome and tried.zero.came_back is zero.came_back
        wrong = not again and (zero.outcome is not Outcome.MEASURED or zero.came_back is False)
        text = told(self._plain, zero, taken_out=zero.source is Source.VENT and self.transmitter.zero_pa != 0.0)
        if drifted or wrong or (before and zero.source is Source.VENT):
            text = text if drifted or wrong else f"the zero is back: {text}"
            level = logging.WARNING if drifted or wrong else logging.INFO
            self._journal.event("maintenance", text, tank=self._tank, level=level)
        else:
            self._journal.event(KIND, text, tank=self._tank)

    def _put(self, zero: Zero) -> None:
        record = ZeroRecord(tank=self._tank, at=self._journal.stamps.now(), config=self._config, zero=zero)
        self._journal.keeper.put_zero(record)
        self._note(record)

    def _tip_is_news(self, zero: Zero) -> bool:
        if self._at_tip is None or not 0.0 <= self._age_s(self._at_tip) < _TIP_EVERY_S:
            return True
        return beyond(self._plain, zero) is not beyond(self._plain, self._at_tip.zero)

    def _counts(self) -> ZeroRecord | None:
        """The look that counts: what is taken out, else the latest that still holds."""
        if self.transmitter.zero_pa:
            return self._by_vent
        tip = self._at_tip
        if tip is None or self._age_s(tip) > _TIP_HOLDS_S:
            return self._by_vent
        if self._by_vent is None or self._age_s(tip) <= self._age_s(self._by_vent):
            return tip
        return self._by_vent

    def _apply(self) -> None:
        """Settle what is taken out of the transmitter's values, and what its uncertainty is."""
        was_pa, self.transmitter.zero_pa = self.transmitter.zero_pa, 0.0
        vent = self._by_vent.zero if self._by_vent is not None else None
        correct = self._vent is not None and self._vent.correct and self._fresh
        if correct and removable(self._plain, vent) and vent is not None and vent.zero_pa:
            self.transmitter.zero_pa = vent.zero_pa
            self.setup = less_zero(self._plain, vent.zero_pa)
        else:
            counts = self._counts()
            self.setup = widened(self._plain, None if counts is None else counts.zero)
        self._shift_pa += self.transmitter.zero_pa - was_pa
