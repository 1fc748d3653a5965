"""A tank's slots by a schedule: the wall clock says what hour it is, monotonic time how long ago the last purge was.

The last purge is a monotonic moment and stays where it was when the wall clock is stepped; only what the calendar says
of the time from here on changes. So a step can bring the next purge no nearer to the last one than the schedule allows,
and no further from it than `every`.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass
from itertools import islice
from typing import Protocol

from lungfish.app.clock import Stamps, StepWatch
from lungfish.app.pacing import Pacing
from lungfish.app.schedule import Calendar, Due
from lungfish.config.model import Tank
from lungfish.core.codes import Quality
from lungfish.core.reading import Reading

__all__ = ["Slots", "Teller", "is_moving", "slots_of"]

_ON_TIME_S = 1.0
"""A cycle that begins this soon after its slot keeps the slot's moment, so that slots do not creep."""
_KEPT = 50
_SURE = 2.0
_LASTING = {"transmitter", "density", "gravity", "gas column", "tip height", "held back at the tip"}
"""Lines of a level's budget that two readings of a tank have in common: they do not make it seem to move."""


class Teller(Protocol):
    """What the slots need of the journal."""

    @property
    def stamps(self) -> Stamps:
        """Both clocks."""
        ...

    def event(self, kind: str, text: str, *, tank: str | None = None) -> None:
        """Tell something."""
        ...


@dataclass(slots=True)
class _Form:
    """What one cron form has had."""

    last_s: float
    """Monotonic start of the last purge for it."""
    from_utc_s: float | None = None
    """Its next moment comes after this one; None: from now on."""
    stepped: bool = False
    """The clock was stepped since the last purge at one of its own moments."""
    due_s: float | None = None
    """Monotonic moment that was worked out last."""
    own: bool = True
    """That is one of its own moments."""


@dataclass(frozen=True, slots=True)
class _Seen:
    """A good level."""

    at_s: float
    level_m: float
    varying_u_m: float


class Slots:
    """The slots of one tank with a schedule.

    Args:
        tank: the tank.
        timezone: of its site.
        journal: both clocks, and where it is told that the tank goes out of service and comes back.
        first_s: monotonic moment of the first slot.
    """

    def __init__(self, tank: Tank, timezone: str, journal: Teller, first_s: float) -> None:
        self._tank = tank
        self._calendar = Calendar(tank.schedule, tank.every_s, timezone)
        self._journal = journal
        self._stamps = journal.stamps
        self._watch = StepWatch(journal.stamps)
        self._first_s = first_s
        self._last_s: float | None = None
        self._spread_s: float | None = None
        self._forms = [_Form(first_s) for _ in self._calendar.crons]
        self._levels: deque[_Seen] = deque(maxlen=_KEPT)
        self._due: Due | None = None
        self._asked = False
        self._said_out = False

    @property
    def why(self) -> str:
        """Why the slot that was worked out last is due then."""
        return self._due.why if self._due is not None else ""

    @property
    def out_of_service(self) -> bool:
        """By the wall clock as it is now."""
        spec = self._tank.schedule.out_of_service
        return spec is not None and self._stamps.utc_s() < spec.until_utc_s

    def began(self, now_s: float, *, after_others: bool = False) -> None:
        """A cycle begins; one that had to wait, for whatever reason, moves what follows.

        Args:
            now_s: monotonic time.
            after_others: it had to wait for other tanks on its link.
        """
        if self._said_out:
            self._said_out = False
            self._journal.event("out-of-service", "back in service: it is purged again", tank=self._tank.name)
        due_s = self._due.at_s if self._due is not None else self._first_s
        at_s = due_s if 0.0 <= now_s - due_s < _ON_TIME_S else now_s
        if self._last_s is None:
            for form in self._forms:
                form.last_s = at_s
        # of the second purge only, and worked out when the interval is known; another that comes first moves the rest
        self._spread_s = math.nan if self._last_s is None and self._tank.schedule.stagger else None
        self._last_s = at_s
        self._asked = False
        for form in self._forms:
            form.from_utc_s = None
            if form.due_s is not None and form.due_s <= now_s + _ON_TIME_S:
                form.last_s = at_s
                form.stepped = form.stepped and not form.own

    def found(self, reading: Reading) -> None:
        """Take in what a cycle found.

        Args:
            reading: of any quality.
        """
        if reading.quality is not Quality.GOOD or reading.level_m is None or reading.shut_at_s is None:
            return
        lines = reading.budget.contributions if reading.budget is not None else ()
        varying_u_m = math.hypot(*(line.effect for line in lines if line.name not in _LASTING))
        self._levels.append(_Seen(reading.shut_at_s, reading.level_m.value, varying_u_m))

    def next_slot(self, now_s: float) -> tuple[float, int]:
        """Work out the next slot; may be asked again at any time, and must be when the wall clock was stepped.

        Args:
            now_s: monotonic time.

        Returns:
            Monotonic moment of the slot, which may be past: then it is due at once; and how many were missed.
        """
        if self._watch.step_s() is not None:
            for form in self._forms:
                form.stepped = True
        ahead_s = self._stamps.utc_s() - self._stamps.clock.monotonic_s()
        due = self._in_service(now_s, ahead_s)
        missed = 0
        spec = self._tank.schedule.out_of_service
        if spec is not None and (until_s := spec.until_utc_s - ahead_s) > max(now_s, due.at_s):
            due = Due(until_s, f"out of service until {spec.until}")
            if not self._said_out:
                self._said_out = True
                self._journal.event("out-of-service", f"until {spec.until}: {spec.reason}", tank=self._tank.name)
        elif self._last_s is not None and due.at_s < now_s and not self._asked:
            missed = int((now_s - due.at_s) / max(1.0, due.at_s - self._last_s))
        self._due, self._asked = due, True  # asked again, it is the clock that moved, and nothing was missed
        return due.at_s, missed

    def _in_service(self, now_s: float, ahead_s: float) -> Due:
        if self._last_s is None:
            return Due(self._first_s, "the first after the start")
        found = self._calendar.regular(self._last_s + ahead_s, faster=self._faster())
        due = Due(found.at_s - ahead_s, found.why)
        if self._spread_s is not None:
            interval_s = due.at_s - self._last_s
            if math.isnan(self._spread_s):
                self._spread_s = self._last_s + self._tank.schedule.stagger * interval_s
            if self._spread_s < now_s:  # the first cycle had to wait for air: the next place of the same kind
                self._spread_s += interval_s * math.ceil((now_s - self._spread_s) / interval_s)
            due = min(due, Due(self._spread_s, f"{due.why}, spread over the tanks"), key=lambda each: each.at_s)
        for number, form in enumerate(self._forms):
            self._work_out(number, form, now_s, ahead_s)
            if form.due_s is not None and form.due_s < due.at_s:
                moment = "" if form.own else ", after a step of the clock"
                due = Due(form.due_s, f"cron {self._calendar.crons[number]}{moment}")
        return due

    def _work_out(self, number: int, form: _Form, now_s: float, ahead_s: float) -> None:
        if form.stepped:
            found = self._calendar.bridge(number, form.last_s + ahead_s, now_s + ahead_s)
            form.due_s, form.own = (None, True) if found is None else (found[0] - ahead_s, found[1])
            return
        if form.from_utc_s is None:
            form.from_utc_s = now_s + ahead_s  # a moment that came while a cycle was under way had its purge
        fire_s = self._calendar.fire_after(number, form.from_utc_s)
        form.due_s, form.own = None if fire_s is None else fire_s - ahead_s, True

    def _faster(self) -> str:
        """Why the shorter interval of `faster` holds now; empty: it does not."""
        spec = self._tank.schedule.faster
        if spec is None or not self._levels:
            return ""
        last_m = self._levels[-1].level_m
        if spec.near_m is not None:
            limit_m = min(self._tank.alarms.levels_m, key=lambda each_m: abs(each_m - last_m))
            if abs(limit_m - last_m) <= spec.near_m:
                return f"near the alarm at {limit_m:g} m"
        if spec.moving_m_s is None:
            return ""
        levels = [(each.at_s, each.level_m, each.varying_u_m) for each in self._levels]
        moves = is_moving(levels, spec.moving_m_s, least_apart_s=0.5 * self._tank.every_s)
        return "the level moves" if moves else ""


def is_moving(levels: list[tuple[float, float, float]], rate_m_s: float, *, least_apart_s: float) -> bool:
    """Whether the level moves, from two good readings: the last, and the last one that is far enough before it.

    Args:
        levels: oldest first: monotonic moment, s; level, m; standard uncertainty of what differs from one reading to
            the next, m.
        rate_m_s: speed from which it counts as moving, either way, m/s.
        least_apart_s: readings nearer together tell more of noise than of movement, s.
    """
    if len(levels) < 2:
        return False
    at_s, level_m, u_m = levels[-1]
    earlier = next((each for each in islice(reversed(levels), 1, None) if at_s - each[0] >= least_apart_s), levels[0])
    moved_m = abs(level_m - earlier[1])
    return moved_m >= rate_m_s * (at_s - earlier[0]) and moved_m > _SURE * math.hypot(u_m, earlier[2])


def slots_of(tank: Tank, timezone: str, journal: Teller, first_s: float) -> Pacing | Slots:
    """The slots of a tank: by `every` alone, or by a schedule.

    Args:
        tank: the tank.
        timezone: of its site.
        journal: both clocks, and where it is told that a tank is out of service.
        first_s: monotonic moment of the first slot.
    """
    return Pacing(first_s, tank.every_s) if tank.schedule.plain else Slots(tank, timezone, journal, first_s)
