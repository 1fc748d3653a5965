"""The ledger of a month for people: a table with bars, and below it what it comes to."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from lungfish.config import Site
from lungfish.study.ledger import LedgerLine, ValveLife, fixed_timer, total

__all__ = ["Account", "Kept", "table_lines"]

_LITRES = 1000.0
_KWH_J = 3.6e6
_WH_J = 3600.0
_BAR = 38
_HEAD = f"  {'day':<10} {'purges':>6} {'air SL':>9}   {'continuous':>10} {'timer':>9}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Account:
    """One tank's month."""

    lines: tuple[LedgerLine, ...]
    """By day, at least one."""
    whole: LedgerLine
    """Their sum."""
    life: ValveLife
    """Of its purge valve."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Kept:
    """What is kept of a month."""

    month: str
    """Such as 2026-03."""
    accounts: tuple[Account, ...]
    """By tank, in the site file's order; tanks without anything are left out."""


def table_lines(site: Site, kept: Kept, *, unicode: bool) -> Iterator[str]:
    """The table.

    Args:
        site: the site.
        kept: its month.
        unicode: block characters for bars; False: ASCII alone.
    """
    yield f"Air of {site.name}, {kept.month}, in standard litres (SL: 20 degC, 1 bar)"
    for account in kept.accounts:
        yield ""
        yield from _account_lines(site, account, "█" if unicode else "#")
    if len(kept.accounts) > 1:
        yield ""
        yield "all tanks"
        whole = total((account.whole for account in kept.accounts), kept.month, "")
        yield _HEAD
        yield _row(whole, kept.month)
        yield from _worth_lines(site, whole)
    yield ""
    yield from _notes(site, kept)


def _account_lines(site: Site, account: Account, sign: str) -> Iterator[str]:
    yield account.whole.use.tank
    yield _HEAD
    most_m3 = max(line.use.air_m3 for line in account.lines)
    for line in account.lines:
        length = round(_BAR * line.use.air_m3 / most_m3) if most_m3 > 0.0 else 0
        yield f"{_row(line, line.use.day)}  {sign * length}".rstrip()
    yield _row(account.whole, "together")
    yield from _worth_lines(site, account.whole)
    life = account.life
    told = f"  valve: {life.operations} openings since the store was begun"
    if life.rated is not None:
        told += f", {100.0 * life.operations / life.rated:.2g} % of its rated {life.rated}"
    if life.lasts_years is not None:
        told += f"; the rest lasts {life.lasts_years:.3g} years"
    yield told


def _row(line: LedgerLine, name: str) -> str:
    mark = "+" if line.use.unknown else " "
    return (
        f"  {name:<10} {line.use.purges:>6} {_litres(line.use.air_m3):>9}{mark}  {_litres(line.continuous_m3):>10} "
        f"{_litres(line.timer_m3):>9}"
    )


def _litres(cubic_metres: float) -> str:
    litres = _LITRES * cubic_metres
    return f"{litres:.2f}" if litres < 100.0 else f"{litres:.0f}"


def _worth_lines(site: Site, line: LedgerLine) -> Iterator[str]:
    cost = site.air.cost
    if line.use.unknown:
        more_m3 = line.most_air_m3 - line.use.air_m3
        yield (
            f"  + openings of unknown air: {line.use.unknown}, with at most {_litres(more_m3)} SL more, which the "
            "shares leave out"
        )
    if line.continuous_m3 > 0.0 and line.timer_m3 > 0.0:
        yield (
            f"  that is {100.0 * line.use.air_m3 / line.continuous_m3:.2g} % of continuous bubbling and "
            f"{100.0 * line.use.air_m3 / line.timer_m3:.2g} % of a fixed timer sized for a full tank"
        )
    told = [f"{_energy(each)}, {_money(each * cost.price_per_j, cost.currency)}" for each in line.energy_j(cost)]
    yield f"  energy and money: {told[0]}; continuous {told[1]}; timer {told[2]}"


def _energy(energy_j: float) -> str:
    return f"{energy_j / _KWH_J:.3g} kWh" if energy_j >= _KWH_J else f"{energy_j / _WH_J:.3g} Wh"


def _money(amount: float, currency: str) -> str:
    return f"{amount:.2f} {currency}".rstrip() if amount >= 1.0 else f"{amount:.2g} {currency}".rstrip()


def _notes(site: Site, kept: Kept) -> Iterator[str]:
    cost, flow = site.air.cost, site.air.flow_m3_s
    yield "continuous: the restrictor's flow all the time that the readings stand for; timer: at the same interval,"
    yield "each purge as long as a flooded tube under a brim-full tank needs, and 2 s:"
    for account in kept.accounts:
        tank = site.tanks[account.whole.use.tank]
        timer = fixed_timer(site, tank)
        yield f"  {tank.name}: every {tank.every_s:g} s, {timer.open_s:.1f} s and {_litres(timer.air_m3)} SL each"
    yield f"flow {flow * 60.0 * _LITRES:.3g} L/min; {cost.energy_j_m3 / _KWH_J:.3g} kWh for a standard m3; " + (
        f"{_money(cost.price_per_j * _KWH_J, cost.currency)} for a kWh"
    )
    yield "(`air.specific_power`, by default 0.12 kWh/m**3: common practice for a small screw compressor at 7 bar;"
    yield "`air.tariff`, by default 0.25/kWh, an assumption: write your own)"
