"""The ledger of a month as a picture. What draws it is optional; without it there is one clear message."""

from __future__ import annotations

from pathlib import Path

from lungfish.cli.air_table import Kept
from lungfish.config import Site
from lungfish.study.ledger import total

__all__ = ["draw_ledger"]

_LITRES = 1000.0


def draw_ledger(path: Path, site: Site, kept: Kept) -> str | None:
    """Draw the air of each day, tanks upon each other.

    Args:
        path: the file, ending in .svg or .png.
        site: the site.
        kept: its month, with at least one account.

    Returns:
        Why it can't be drawn; None when it is.
    """
    try:
        from matplotlib.figure import Figure
    except ImportError:
        return "--plot needs matplotlib, which is not installed; add it with `pip install 'lungfish[plot]'`"
    figure = Figure(figsize=(10.0, 5.0), layout="constrained")
    axes = figure.subplots()
    days = sorted({line.use.day for account in kept.accounts for line in account.lines})
    below = dict.fromkeys(days, 0.0)
    for account in kept.accounts:
        litres = {line.use.day: _LITRES * line.use.air_m3 for line in account.lines}
        heights = [litres.get(day, 0.0) for day in days]
        axes.bar([day[8:] for day in days], heights, bottom=[below[day] for day in days], label=account.whole.use.tank)
        below = {day: below[day] + height for day, height in zip(days, heights, strict=True)}
    whole = total((account.whole for account in kept.accounts), kept.month, "")
    shares = ""
    if whole.continuous_m3 > 0.0 and whole.timer_m3 > 0.0:
        shares = (
            f": {100.0 * whole.use.air_m3 / whole.continuous_m3:.2g} % of continuous bubbling, "
            f"{100.0 * whole.use.air_m3 / whole.timer_m3:.2g} % of a fixed timer"
        )
    axes.set_title(f"Air of {site.name}, {kept.month}{shares}", fontsize="medium")
    axes.set_xlabel("day")
    axes.set_ylabel("standard litres (20 degC, 1 bar)")
    axes.legend()
    try:
        figure.savefig(path)
    except OSError as error:
        return f"{path} can't be written: {error.strerror or error}"
    return None
