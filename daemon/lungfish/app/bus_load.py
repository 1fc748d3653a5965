"""How many transactions a site asks of each of its links, worked out from its settings, before anything is wired."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from lungfish.app.link_turns import cycles_at_once
from lungfish.app.outlook import outlook, purges_a_day
from lungfish.config import Site, Tank, cycle_setup
from lungfish.core.plan import LEAK_LOOK_S, PERIOD_S, Plan
from lungfish.core.setup import Learned
from lungfish.core.watch_limits import EarlyPurges

__all__ = ["CycleLoad", "LinkLoad", "cycle_load", "link_loads", "predicted_transactions_s"]

Level = Callable[[float], float]
"""Level above the floor, m, at a time since the start, s."""

_NOISE_PA = 2.0
_DAMPING_S = 0.1
"""Of the transmitter, where the site file does not say it (common practice)."""
_RISE_S = 0.25
"""From the opening until the pressure of a full tube stands on its plateau."""
_READ_BACK_S = 0.25
"""An open valve is read back this often."""
_SWITCH_S = 0.3
"""The switches are asked this often while it is open."""
_LOOK, _COMMAND = 1, 2
"""Transactions of a look at the valve, and of a command that is read back."""
_DAY_S = 86400.0
_FULL = 0.9
"""A link, or its turns, taken for more of the time than this have no room for repetitions and for what was late."""
_LEARNING = 2
"""The first cycles of a tube listen longer: whether it keeps its air is not known before."""
_SEEN = 0.95
"""The watch calls for a purge when the level may have moved by its step: so much of it has."""


@dataclass(frozen=True, slots=True)
class CycleLoad:
    """What a cycle asks of the link."""

    transactions: float
    """Requests in one cycle of a tight tube whose level hardly moves."""
    learning: float
    """In one of the first cycles of a tube."""
    lasts_s: float
    """How long a cycle lasts, s; the watch does not look meanwhile."""


@dataclass(frozen=True, slots=True)
class LinkLoad:
    """What a site asks of one link, once its tubes are known."""

    transactions_s: float
    """Transactions a second, by timer, schedule and the watch's looks."""
    most_transactions_s: float
    """The same with as many early purges as the watch may call for."""
    measuring: float
    """Share of the time that one tank or another measures, if they do so one after the other and as often as they may,
    1; above 1: they can't."""

    def fits(self, transaction_s: float) -> bool:
        """Whether the link has time for it.

        Args:
            transaction_s: from request to the next request, s.
        """
        wire = self.most_transactions_s * transaction_s
        return wire <= _FULL and self.measuring <= _FULL * cycles_at_once(transaction_s)

    @property
    def longest_transaction_s(self) -> float:
        """The slowest link that it fits, s; 0: none."""
        slow = [k * 1e-3 for k in range(1, 1001)]
        return max((each_s for each_s in slow if self.fits(each_s)), default=0.0)


def link_loads(site: Site, begin_utc_s: float) -> dict[str, LinkLoad]:
    """What a site asks of each link.

    Args:
        site: the site.
        begin_utc_s: when the week begins that its schedules are looked at, s since 1970-01-01 UTC.
    """
    asked = {name: [0.0, 0.0, 0.0] for name in site.links}
    for tank in site.tanks.values():
        load, purges = cycle_load(site, tank), purges_a_day(tank, site.timezone, begin_utc_s)
        most = purges if tank.watch is None else 2.0 * purges
        of_link = asked[tank.transmitter.link]
        for place, count in ((0, purges), (1, most)):
            looks = 0.0 if tank.watch is None else max(0.0, _DAY_S - count * load.lasts_s) / tank.watch.every_s
            of_link[place] += (count * load.transactions + looks) / _DAY_S
        of_link[2] += most * load.lasts_s / _DAY_S
    return {name: LinkLoad(*figures) for name, figures in asked.items()}


def cycle_load(site: Site, tank: Tank) -> CycleLoad:
    """What one cycle with a tight tube and a level that hardly moves asks of the link.

    Args:
        site: the site.
        tank: one of its tanks.
    """
    setup = cycle_setup(site, tank)
    plan = Plan.of(setup, Learned())
    damping_s = setup.damping_s if setup.damping_s is not None else _DAMPING_S
    look_s = plan.look_s(_NOISE_PA, PERIOD_S)
    open_s = plan.hold_s(_NOISE_PA, PERIOD_S, damping_s) + _RISE_S + damping_s
    shut_s = plan.shut_in_s(_NOISE_PA, PERIOD_S, damping_s)
    switches = sum(each is not None for each in (tank.inputs.supply, tank.inputs.flow))
    rest = open_s / _READ_BACK_S + _LOOK + 2 * _COMMAND + switches * (1.0 + open_s / _SWITCH_S)
    return CycleLoad(
        transactions=(look_s + open_s + shut_s) / PERIOD_S + 1.0 + rest,
        learning=(look_s + open_s + LEAK_LOOK_S) / PERIOD_S + 1.0 + rest,
        lasts_s=look_s + open_s + shut_s,
    )


def predicted_transactions_s(
    site: Site, duration_s: float, begin_utc_s: float, levels: Mapping[str, Level] | None = None
) -> dict[str, float]:
    """Transactions a second on each link: by each tank's slots, the watch's looks and the purges that it calls for.

    Args:
        site: the site.
        duration_s: over which time, s.
        begin_utc_s: when it begins, s since 1970-01-01 UTC: a schedule goes by the clock.
        levels: what the level of each tank does then, from the beginning on; None: it hardly moves.
    """
    asked = dict.fromkeys(site.links, 0.0)
    for name, tank in site.tanks.items():
        level = (lambda _at_s: 0.0) if levels is None else levels[name]
        slots = [each.at_utc_s - begin_utc_s for each in outlook(tank, site.timezone, begin_utc_s, duration_s)]
        purges, looks = _purges_and_looks(tank, level, slots, duration_s, cycle_load(site, tank).lasts_s)
        load = cycle_load(site, tank)
        learning = min(_LEARNING, purges)
        asked[tank.transmitter.link] += learning * load.learning + (purges - learning) * load.transactions + looks
    return {name: count / duration_s for name, count in asked.items()}


def _purges_and_looks(
    tank: Tank, level: Level, slots: list[float], duration_s: float, lasts_s: float
) -> tuple[int, float]:
    """How often a tank is purged, and how often its watch looks.

    An early purge moves the slots of a plain timer; those of a schedule, which follow the clock, too, all but the cron
    forms: taken alike here.
    """
    if tank.watch is None:
        return len(slots), 0.0
    watch, early = tank.watch, EarlyPurges(tank.every_s)
    purges, looks, last_s, moved_by_s, place = 0, 0, 0.0, 0.0, 0
    while place < len(slots) and (due_s := slots[place] + moved_by_s) < duration_s:
        at_s = last_s + lasts_s + watch.every_s
        called = False
        while purges and at_s < due_s:
            looks += 1
            moved_m = abs(level(at_s) - level(last_s))
            if purges >= _LEARNING and moved_m >= _SEEN * watch.step_m and early.held(at_s) is None:
                called = True
                break
            at_s += watch.every_s
        if called:
            early.ended(at_s, false=False)
            moved_by_s += at_s - due_s
        else:
            at_s = due_s
            early.begin(at_s)
        last_s, purges, place = at_s, purges + 1, place + 1
        if place == len(slots):  # slots that early purges have drawn nearer
            slots.append(slots[-1] + tank.every_s)
    left_s = max(0.0, duration_s - last_s - lasts_s)
    return purges, looks + left_s // watch.every_s
