"""The air ledger: purges by tank and day, against continuous bubbling and a fixed timer; energy, money, valve.

Air is counted in standard m3 (20 degC, 1 bar: ISO 8778), the state that a compressor's specific power refers to as well
(ISO 1217, from memory).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from lungfish.config import Site, Tank, cycle_setup
from lungfish.config.budget import CostSpec, largest_purge_m3
from lungfish.config.meaning import BUBBLING_S
from lungfish.core.air import first_bubble_after_s
from lungfish.core.expect import full_gauge_pa, line_friction_at_pa, throughput_pa_m3_s
from lungfish.physics.standard import ANR, standard_volume_m3

__all__ = [
    "DayUse",
    "LedgerLine",
    "TimerPurge",
    "ValveLife",
    "continuous_m3_s",
    "fixed_timer",
    "ledger_line",
    "total",
    "valve_life",
]

_DAY_S = 86400.0
_YEAR_S = 365.25 * _DAY_S


@dataclass(frozen=True, slots=True, kw_only=True)
class DayUse:
    """What the store has of one tank and day."""

    day: str
    """Local date, ISO 8601; for a sum what it covers."""
    tank: str
    """Name in the site file."""
    air_m3: float
    """Air of the purges whose air is known, standard m3."""
    open_s: float
    """Time that the valve was open in them, s."""
    purges: int
    """Openings, those of unknown air included."""
    unknown: int
    """Openings whose air is not known."""
    covered_s: float
    """How much of the day the readings stand for, s: from the tank's first to one interval after its last."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TimerPurge:
    """One purge of a fixed timer that is sized for a full tank."""

    open_s: float
    """From a flooded tube to the first bubble under a brim-full tank, and bubbling as long as a reading wants it, s."""
    air_m3: float
    """Air that it takes, standard m3."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LedgerLine:
    """One line of the ledger."""

    use: DayUse
    """What was used."""
    most_air_m3: float
    """The same, with purges of unknown air counted as the most that they can have taken, standard m3."""
    continuous_m3: float
    """What the restrictor would have passed all that time, standard m3."""
    timer_m3: float
    """What a fixed timer sized for a full tank would have taken at the same interval, standard m3."""

    def energy_j(self, cost: CostSpec) -> tuple[float, float, float]:
        """Energy for the air used, for continuous bubbling and for the timer, J.

        Args:
            cost: of the site.
        """
        used_j, continuous_j, timer_j = (
            cost.energy_j_m3 * air_m3 for air_m3 in (self.use.air_m3, self.continuous_m3, self.timer_m3)
        )
        return used_j, continuous_j, timer_j


@dataclass(frozen=True, slots=True, kw_only=True)
class ValveLife:
    """A valve's openings against what it is rated for."""

    operations: int
    """Openings since the store was begun."""
    rated: int | None
    """What it is rated for; None: not stated."""
    lasts_years: float | None
    """At this pace the rest of its rated life lasts so long, years; None: not rated, or it did not open."""


def continuous_m3_s(site: Site) -> float:
    """What the restrictor passes while it bubbles, standard m3/s.

    Args:
        site: the site.
    """
    return standard_volume_m3(site.air.flow_pa_m3_s, site.air.temperature_k, ANR)


def fixed_timer(site: Site, tank: Tank) -> TimerPurge:
    """The purge that a timer must make which knows neither the level nor whether the tube has kept its air.

    Args:
        site: the site.
        tank: one of its tanks.
    """
    setup = cycle_setup(site, tank)
    full_pa = full_gauge_pa(setup)
    flow_pa_m3_s = throughput_pa_m3_s(setup, full_pa + line_friction_at_pa(setup, setup.flow_pa_m3_s, full_pa))
    open_s = first_bubble_after_s(setup, 0.0, full_pa) + BUBBLING_S
    return TimerPurge(open_s=open_s, air_m3=standard_volume_m3(flow_pa_m3_s * open_s, setup.air_k, ANR))


def ledger_line(site: Site, tank: Tank, use: DayUse) -> LedgerLine:
    """A line of the ledger.

    Args:
        site: the site.
        tank: whose line it is, as the site file has it now.
        use: what was used.
    """
    return LedgerLine(
        use=use,
        most_air_m3=use.air_m3 + use.unknown * largest_purge_m3(tank, site.air),
        continuous_m3=continuous_m3_s(site) * use.covered_s,
        timer_m3=fixed_timer(site, tank).air_m3 * use.covered_s / tank.every_s,
    )


def total(lines: Iterable[LedgerLine], day: str, tank: str) -> LedgerLine:
    """Lines added up.

    Args:
        lines: of the ledger.
        day: what the sum covers.
        tank: whose it is.
    """
    lines = list(lines)
    uses = [line.use for line in lines]
    return LedgerLine(
        use=DayUse(
            day=day,
            tank=tank,
            air_m3=sum(use.air_m3 for use in uses),
            open_s=sum(use.open_s for use in uses),
            purges=sum(use.purges for use in uses),
            unknown=sum(use.unknown for use in uses),
            covered_s=sum(use.covered_s for use in uses),
        ),
        most_air_m3=sum(line.most_air_m3 for line in lines),
        continuous_m3=sum(line.continuous_m3 for line in lines),
        timer_m3=sum(line.timer_m3 for line in lines),
    )


def valve_life(tank: Tank, operations: int, month: DayUse) -> ValveLife:
    """A valve's openings against its rated life.

    Args:
        tank: whose purge valve it is.
        operations: openings since the store was begun.
        month: the pace to go on with.
    """
    rated = tank.valve.rated_operations
    lasts_years = None
    if rated is not None and month.purges and month.covered_s > 0.0:
        lasts_years = max(0.0, rated - operations) * (month.covered_s / month.purges) / _YEAR_S
    return ValveLife(operations=operations, rated=rated, lasts_years=lasts_years)
