"""The forms of the air budget, and of what air costs."""

from __future__ import annotations

import re
from typing import Annotated, Final

from pydantic import AfterValidator, Field

from lungfish.config.fields import Quantity, told
from lungfish.config.sections import Section
from lungfish.units import DURATION, VOLUME

__all__ = ["BudgetForm", "Tariff", "tariff_of"]

_TARIFF: Final = re.compile(r"([0-9]{1,9}(?:\.[0-9]{1,6})?) ?([^\W\d_]{0,8}|[$€£¥]) ?/ ?kWh")


class BudgetForm(Section):
    """What may be spent of the compressed air, over restarts too."""

    purges_per_hour: Annotated[int, Field(ge=1, le=100_000)] | None = None
    """Purges within any hour; no limit by default."""
    per_day: Annotated[float, Quantity(VOLUME, "0.1 L", "100000 m**3")] | None = None
    """Standard air (20 degC, 1 bar) within any 24 h; no limit by default."""
    rest: Annotated[float, Quantity(DURATION, "0 s", "1 h")] | None = None
    """From the end of a purge to the start of the next; by default 2 s for a tank, none for the compressor."""
    supply_wait: Annotated[float, Quantity(DURATION, "0 s", "24 h")] | None = None
    """Longest time that a purge waits while `inputs.supply` says that pressure is lacking; none by default."""


def tariff_of(text: str) -> tuple[float, str]:
    """Price of a kilowatt-hour, and the currency as it is written; that may be left out.

    Args:
        text: such as `0.25 EUR/kWh`; checked already.
    """
    match = _TARIFF.fullmatch(text.strip())
    return (float(match[1]), match[2]) if match else (float("nan"), "")


def _tariff(value: str) -> str:
    if not _TARIFF.fullmatch(value.strip()):
        raise told(f"`{value[:40]}` is no price of energy", "write one a kilowatt-hour, such as `tariff: 0.25 EUR/kWh`")
    return value


Tariff = Annotated[str, AfterValidator(_tariff)]
