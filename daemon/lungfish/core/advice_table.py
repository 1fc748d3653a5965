"""The table of verdicts for a technician: what makes each code, where its limits come from, what to do about it.

Every number of a limit is taken from the code that judges, so that what is told can't drift from what is done.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from lungfish.core.advice import Advice
from lungfish.core.advice_air import AIR_ADVICE
from lungfish.core.advice_instrument import INSTRUMENT_ADVICE
from lungfish.core.advice_tube import TUBE_ADVICE
from lungfish.core.codes import Diagnosis

__all__ = ["ADVICE"]

_ROWS = {**AIR_ADVICE, **TUBE_ADVICE, **INSTRUMENT_ADVICE}

ADVICE: Mapping[Diagnosis, Advice] = MappingProxyType({code: _ROWS[code] for code in Diagnosis})
"""One row for each diagnosis, in the order of their places."""
