"""How many transactions a second a tank will ask of its link, worked out from its settings alone."""

from __future__ import annotations

from lungfish.config import Site, Tank, cycle_setup
from lungfish.core.plan import PERIOD_S, Plan
from lungfish.core.setup import Learned

__all__ = ["cycle_transactions", "predicted_transactions_s"]

_NOISE_PA = 2.0
_DAMPING_S = 0.1
"""Of the transmitter, where the site file does not say it (common practice)."""
_OPEN_S = 1.3
"""A tight tube of a quiet tank bubbles for this long; a level that rises or a tube that leaks asks for more."""
_READ_BACK_S = 0.25
"""An open valve is read back this often."""
_CYCLE_S = 10.0
"""A cycle lasts about this long; while it runs the watch does not look."""
_LOOK, _COMMAND = 1, 2
"""Transactions of a look at the valve, and of a command that is read back."""


def cycle_transactions(site: Site, tank: Tank) -> float:
    """Transactions of one cycle with a tight tube and a level that hardly moves.

    Args:
        site: the site.
        tank: one of its tanks.
    """
    setup = cycle_setup(site, tank)
    plan = Plan.of(setup, Learned())
    damping_s = setup.damping_s if setup.damping_s is not None else _DAMPING_S
    samples = (plan.look_s(_NOISE_PA, PERIOD_S) + _OPEN_S + plan.shut_in_s(_NOISE_PA, PERIOD_S, damping_s)) / PERIOD_S
    switches = sum(each is not None for each in (tank.inputs.supply, tank.inputs.flow))
    return samples + _OPEN_S / _READ_BACK_S + _LOOK + 2 * _COMMAND + switches * (1.0 + _OPEN_S / 0.3)


def predicted_transactions_s(site: Site) -> dict[str, float]:
    """Transactions a second on each link, by the timer and the watch's looks.

    Purges that a schedule or the watch asks for come on top.

    Args:
        site: the site.
    """
    load = dict.fromkeys(site.links, 0.0)
    for tank in site.tanks.values():
        load[tank.transmitter.link] += cycle_transactions(site, tank) / tank.every_s
        if tank.watch is not None:
            load[tank.transmitter.link] += max(0.0, 1.0 - _CYCLE_S / tank.every_s) / tank.watch.every_s
    return load
