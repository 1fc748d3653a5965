"""The air budget and what air costs: from their form to what they mean, and whether they agree with the rest."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from typing import TYPE_CHECKING, Final

from lungfish.config.budget_form import BudgetForm, tariff_of
from lungfish.config.document import KeyPath
from lungfish.config.report import Report
from lungfish.core.air_budget import HOUR_S, Limits
from lungfish.core.setup import CycleSetup
from lungfish.physics.standard import ANR, standard_volume_m3

if TYPE_CHECKING:
    from lungfish.config.form import AirForm
    from lungfish.config.model import AirSpec, Tank

__all__ = [
    "NO_LIMITS",
    "TANK_LIMITS",
    "USUAL_COST",
    "CostSpec",
    "build_budget",
    "build_cost",
    "check_budgets",
    "largest_purge_m3",
    "with_budget",
]

NO_LIMITS: Final = Limits()
"""Of the compressor, when nothing is stated."""
TANK_LIMITS: Final = Limits(rest_s=2.0)
"""Of a tank, when nothing is stated: less than a shut-in takes, so that only a cycle that was cut short feels it."""
_KWH_J: Final = 3.6e6
_LITRES: Final = 1000.0


@dataclasses.dataclass(frozen=True, slots=True, kw_only=True)
class CostSpec:
    """What compressed air costs."""

    energy_j_m3: float = 0.12 * _KWH_J
    """Energy for a standard m3, J/m3. By default 0.12 kWh/m3: 7.2 kW for 1 m3/min at 7 bar, a small screw compressor at
    full load (common practice, from memory; a small piston compressor takes half as much again)."""
    price_per_j: float = 0.25 / _KWH_J
    """Price of energy, currency/J. By default 0.25/kWh, an assumption to put your own number over."""
    currency: str = ""
    """As the file has it; empty when it names none."""


USUAL_COST: Final = CostSpec()
"""What air costs when nothing is stated."""


def build_budget(form: BudgetForm | None, usual: Limits) -> Limits:
    """Settle a budget.

    Args:
        form: the section; None when there is none.
        usual: what holds when nothing is stated.
    """
    if form is None:
        return usual
    return Limits(
        purges_per_hour=form.purges_per_hour,
        air_per_day_m3=form.per_day,
        rest_s=usual.rest_s if form.rest is None else form.rest,
        supply_wait_s=form.supply_wait or 0.0,
    )


def with_budget(tank: Tank, form: BudgetForm | None) -> Tank:
    """A tank with its budget.

    Args:
        tank: without it.
        form: its section; None when there is none.
    """
    return dataclasses.replace(tank, budget=build_budget(form, TANK_LIMITS))


def build_cost(form: AirForm) -> CostSpec:
    """Settle what air costs; only the ledger asks for it, so what is assumed is told there.

    Args:
        form: the section `air`.
    """
    cost = USUAL_COST
    if form.specific_power is not None:
        cost = dataclasses.replace(cost, energy_j_m3=form.specific_power)
    if form.tariff is not None:
        price, currency = tariff_of(form.tariff)
        cost = dataclasses.replace(cost, price_per_j=price / _KWH_J, currency=currency)
    return cost


def largest_purge_m3(tank: Tank, air: AirSpec) -> float:
    """The most that one opening of a tank's valves can take, standard m3: the whole flow as long as one may be open.

    Args:
        tank: the tank.
        air: the site's compressed air.
    """
    most_pa_m3 = air.flow_pa_m3_s * tank.valve.max_open_s
    if tank.clear is not None and tank.clear.valve is not None:
        flow_pa_m3_s = air.flow_pa_m3_s if tank.clear.flow_pa_m3_s is None else tank.clear.flow_pa_m3_s
        most_pa_m3 = max(most_pa_m3, flow_pa_m3_s * tank.clear.valve.max_open_s)
    return standard_volume_m3(most_pa_m3, air.temperature_k, ANR)


def check_budgets(tanks: Mapping[str, Tank], setups: Mapping[str, CycleSetup], air: AirSpec, report: Report) -> None:
    """Refuse a budget that allows no purge, and tell of one that is less than the tanks ask for.

    Args:
        tanks: of the site.
        setups: of those that are sound.
        air: the site's compressed air, with its budget.
        report: where findings go.
    """
    sound = [tank for name, tank in tanks.items() if name in setups]
    for tank in sound:
        _check(("tanks", tank.name, "budget"), tank.budget, [tank], air, report)
    if sound:
        _check(("air", "budget"), air.budget, sound, air, report)


def _check(path: KeyPath, limits: Limits, tanks: list[Tank], air: AirSpec, report: Report) -> None:
    largest = max(tanks, key=lambda tank: largest_purge_m3(tank, air))
    most_m3 = largest_purge_m3(largest, air)
    if limits.air_per_day_m3 is not None and limits.air_per_day_m3 < most_m3:
        report.error(
            (*path, "per_day"),
            f"one purge of {largest.name} may take {_LITRES * most_m3:.3g} L (its valve may be open for "
            f"{largest.valve.max_open_s:g} s), so there could be none",
            f"write at least {_LITRES * most_m3 + 0.05:.3g} L, or a shorter `max_open`",
        )
    if limits.supply_wait_s > 0.0 and all(tank.inputs.supply is None for tank in tanks):
        report.error(
            (*path, "supply_wait"),
            "nothing says whether the supply is there",
            "add a switch or a pressure under `inputs.supply`, or delete it",
        )
    asked = sum(HOUR_S / _shortest_interval_s(tank) for tank in tanks)
    asks = "schedule" if any(_shortest_interval_s(tank) < tank.every_s for tank in tanks) else "every"
    if limits.purges_per_hour is not None and limits.purges_per_hour < asked * (1.0 - 1e-9):
        report.warn(
            (*path, "purges_per_hour"),
            f"`{asks}` asks for {asked:.4g} purges an hour, so readings will be late",
            "allow more purges, or write a longer `every`",
        )


def _shortest_interval_s(tank: Tank) -> float:
    """From purge to purge in the busiest hours of timer and windows, s; what comes by cron or level is not foreseen."""
    return min((tank.every_s, *(window.every_s for window in tank.schedule.windows)))
