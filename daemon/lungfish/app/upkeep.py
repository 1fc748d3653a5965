"""What is normal for a tank's tube, followed from cycle to cycle: requests of people, notices of maintenance."""

from __future__ import annotations

import asyncio
import logging
from datetime import UTC, datetime

from lungfish.app.journal import Journal
from lungfish.core.baseline import Baseline, Notice, Said, Way, follow, locked
from lungfish.core.forecast import Forecast
from lungfish.core.reading import Reading
from lungfish.core.setup import CycleSetup
from lungfish.core.traits import Filled, Trait, filled_by, traits_of
from lungfish.ports import BaselineAct, BaselineRequest

__all__ = ["UNITS", "Upkeep", "answer", "answered_text", "between", "notice_text", "shown"]

_LOOK_WITHIN_S = 0.2
"""A cycle waits no longer than this for a disk that does not answer; what it says later is heeded in the next."""
_KEEP_EVERY = 12
"""Cycles after which what a day has gathered is kept, if nothing else has happened."""

UNITS = {Trait.FRICTION: "Pa", Trait.LEAK: "Pa/s", Trait.FILLING: "times the time that the set flow needs"}
"""Of each trait; the others are in Pa."""
_NAMES = {
    Trait.FRICTION: "friction while air flows, at half the full head",
    Trait.LEAK: "fall of the shut-in, at half the full head",
    Trait.FILLING: "filling time",
    Trait.RIPPLE: "ripple of the bubbles, as closing freezes it",
}
_MEANS = {
    (Trait.FRICTION, Way.UP): "tip or line narrows, or the air has become warmer or more: look at the tip, then at the "
    "flow",
    (Trait.FRICTION, Way.DOWN): "less air flows: look at supply, filter and restrictor",
    (Trait.LEAK, Way.UP): "air is lost on the way: try the fittings with soap water",
    (Trait.FILLING, Way.UP): "less air comes, or some is lost: look at supply, filter, restrictor and fittings",
    (Trait.RIPPLE, Way.UP): "the bubbles leave in another way: look at the tip",
    (Trait.RIPPLE, Way.DOWN): "smaller bubbles, as at a narrowed tip, or less air: look at the tip, then the flow",
}
_LIMITS = {
    Trait.FRICTION: "the friction at which the tube counts as plugged",
    Trait.LEAK: "the leak at which the reading becomes uncertain",
    Trait.FILLING: "the time at which the supply counts as low",
}


def shown(trait: Trait, value: float) -> str:
    """A value with its unit, as a technician reads it."""
    digits = {Trait.FILLING: 2, Trait.LEAK: 2}.get(trait, 1)
    return f"{value:.{digits}f} {UNITS.get(trait, 'Pa')}"


def between(forecast: Forecast) -> str:
    """The interval of a forecast, with 95 % confidence."""
    early, late = (datetime.fromtimestamp(max(0.0, min(s, 253402300799.0)), UTC) for s in _ends(forecast))
    return f"between {early:%Y-%m-%d} and {late:%Y-%m-%d} (95 %)"


def _ends(forecast: Forecast) -> tuple[float, float]:
    return forecast.early_s, forecast.late_s


def notice_text(notice: Notice) -> str:
    """One sentence with its numbers.

    Args:
        notice: what is to be told.
    """
    trait, normal = notice.trait, notice.normal
    name, value, centre = _NAMES[trait], shown(trait, notice.value), shown(trait, normal.centre)
    if notice.said is Said.LEARNED:
        return f"{name}: {value} is normal here; single cycles scatter by {shown(trait, normal.spread)}"
    if notice.said is Said.DOUBTED:
        return (
            f"{name}: {value} in the first cycles, but geometry goes no further than {centre}: learned from a doubtful "
            f"tube, so {centre} is taken for normal; {_MEANS.get((trait, notice.way or Way.UP), 'look at the tube')}"
        )
    spread = f"{centre} +- {shown(trait, 2.0 * notice.sd)} is normal here"
    if notice.said is Said.BACK:
        return f"{name}: back at {value}, where {spread}"
    verb = "grown" if notice.way is Way.UP else "fallen"
    text = f"{name} has slowly {verb} to {value}, where {spread}: {_MEANS[trait, notice.way or Way.UP]}"
    if trait in _LIMITS:
        if notice.forecast is None:
            return f"{text}; when it reaches {_LIMITS[trait]} can't be told yet"
        return f"{text}; if it goes on so, it reaches {_LIMITS[trait]} {between(notice.forecast)}"
    return text


def answer(baseline: Baseline, request: BaselineRequest) -> Baseline:
    """The baseline after what was asked."""
    match request.act:
        case BaselineAct.RESET:
            return Baseline()
        case BaselineAct.LOCK:
            return locked(baseline, True)
        case BaselineAct.UNLOCK:
            return locked(baseline, False)


def answered_text(request: BaselineRequest) -> str:
    """What was done, by whom and why."""
    done = {
        BaselineAct.RESET: "reset: it is learned anew from the next cycles",
        BaselineAct.LOCK: "locked: nothing sharpens it any more",
        BaselineAct.UNLOCK: "unlocked: the first weeks sharpen it",
    }
    return f"the baseline was {done[request.act]} (by {request.name}: {request.reason})"


class Upkeep:
    """Follows one tank's baseline. Nothing here ever changes a reading.

    Args:
        tank: its name.
        setup: the tank as its cycle sees it.
        config: hash of its settings.
        journal: where everything is told and kept.
    """

    def __init__(self, tank: str, setup: CycleSetup, config: str, journal: Journal) -> None:
        self._tank = tank
        self._setup = setup
        self._config = config
        self._journal = journal
        self._unkept = 0
        self._filled: Filled | None = None
        self._asked: asyncio.Future[tuple[BaselineRequest, ...]] | None = None
        self.baseline = Baseline()
        """What is normal, and how it goes."""
        kept = journal.keeper.baseline(tank)
        if kept is not None and kept[1] == config:
            self.baseline = kept[0]
        elif kept is not None:
            text = "the tank's settings have changed: what was normal is not so any more and is learned anew"
            journal.event("baseline", text, tank=tank)
            self._keep()

    async def heed(self) -> None:
        """Do what people have asked for. Waits for the disk, but not long."""
        if self._asked is None:
            self._asked = asyncio.wrap_future(self._journal.keeper.baseline_requests(self._tank))
        done, _ = await asyncio.wait({self._asked}, timeout=_LOOK_WITHIN_S)
        if not done:
            return
        requests, self._asked = self._asked.result(), None
        for request in requests:
            self.do(request)

    def do(self, request: BaselineRequest) -> None:
        """Do what is asked, tell and keep it."""
        self.baseline = answer(self.baseline, request)
        self._journal.event("baseline", answered_text(request), tank=self._tank)
        self._keep((request.number,))

    def after(self, reading: Reading, utc_s: float) -> None:
        """Take in a cycle, and tell what is to be told.

        Args:
            reading: of the cycle.
            utc_s: its wall time, s since 1970 UTC.
        """
        before = self.baseline
        traits = traits_of(self._setup, reading, self._filled)
        self._filled = filled_by(reading)
        self.baseline, notices = follow(self._setup, before, traits, utc_s)
        if self.baseline is before:
            return
        for notice in notices:
            news = notice.said is not Said.LEARNED
            self._journal.event(
                "maintenance" if news else "baseline",
                notice_text(notice),
                tank=self._tank,
                level=logging.WARNING if news and notice.said is not Said.BACK else logging.INFO,
            )
        self._unkept += 1
        learning = any(track.normal is None for track in self.baseline.tracks.values())
        groups = [sum(t.group_count for t in b.tracks.values()) for b in (before, self.baseline)]
        early = self.baseline.cycles <= 2 * _KEEP_EVERY and learning
        if notices or early or groups[0] != groups[1] or self._unkept >= _KEEP_EVERY:
            self._keep()

    def disturbed(self) -> None:
        """Something other than a cycle has moved the tube's air: what it held before tells nothing any more."""
        self._filled = None

    def finish(self) -> None:
        """Keep what is not kept yet."""
        if self._unkept:
            self._keep()

    def _keep(self, answered: tuple[int, ...] = ()) -> None:
        self._journal.keeper.put_baseline(self._tank, self.baseline, self._config, answered)
        self._unkept = 0
