"""The transmitter's zero: what was seen of it where the pressure was known, and what that does to a reading.

Two things show it: a vent valve that opens the transmitter to the atmosphere (`core.venting`), and a tip that hangs in
air. Drift within the transmitter's tolerance changes nothing. Drift beyond it widens every reading, unless the site
file has it taken out.
"""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass
from enum import Enum

from lungfish.core.codes import Diagnosis, Finding, Quality
from lungfish.core.evidence import UNCOVERED_M
from lungfish.core.expect import unit_weight_pa_m
from lungfish.core.reading import Reading
from lungfish.core.setup import CycleSetup, Learned

__all__ = [
    "MOST_SHARE",
    "SIGMAS",
    "Outcome",
    "Source",
    "Zero",
    "begun",
    "beyond",
    "came_back",
    "cut_off",
    "least_rest_pa",
    "less_zero",
    "removable",
    "seen_at_tip",
    "shifted",
    "told",
    "tolerance_pa",
    "widened",
]

SIGMAS = 3.0
"""A zero further off than this many standard uncertainties, its own included, has drifted."""
_MOVED_NOISES = 10.0
_MOVED_SIGMAS = 4.0
MOST_SHARE = 0.02
"""A zero off by more than this share of the span is not taken out: that is no drift, but a fault (common practice)."""


class Source(Enum):
    """What showed the zero."""

    VENT = "vent"
    """The vent valve was open."""
    TIP = "tip"
    """The tip hung in air."""


class Outcome(Enum):
    """What came of it."""

    MEASURED = "measured"
    NOT_MOVED = "not moved"
    """Opening the vent did not bring the reading near zero: the valve did not open, or the transmitter is frozen."""
    UNSETTLED = "unsettled"
    """The reading did not come to rest in time."""
    BEGUN = "begun"
    """The vent is about to be opened; what stays so was ended by a death."""
    FAILED = "failed"
    """Link or valve failed, or it was ended from outside."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Zero:
    """One look at the zero."""

    source: Source
    """What showed it."""
    outcome: Outcome
    """What came of it."""
    zero_pa: float | None = None
    """What the transmitter shows where it should show nothing, Pa; None: not measured."""
    u_pa: float | None = None
    """Standard uncertainty of that, Pa."""
    rest_pa: float | None = None
    """What it showed before, Pa; None: not known, or nothing was moved."""
    proven: bool = False
    """The reading moved so far that it must have been vented."""
    came_back: bool | None = None
    """After the vent had shut it went back to the tube's pressure, or was never vented; None: not known.

    False also when nobody saw it come back.
    """
    detail: str = ""
    """More about an outcome; may be empty."""


def tolerance_pa(setup: CycleSetup, zero: Zero) -> float:
    """How far off the zero may be before that is a drift, Pa.

    Args:
        setup: the tank; its transmitter's stated tolerance counts.
        zero: a look at it.
    """
    return SIGMAS * math.hypot(setup.transmitter_u_pa, zero.u_pa or 0.0)


def beyond(setup: CycleSetup, zero: Zero | None) -> bool:
    """Whether a zero has drifted beyond the transmitter's tolerance.

    Args:
        setup: the tank.
        zero: a look at it; None: there was none.
    """
    if zero is None or zero.outcome is not Outcome.MEASURED or zero.zero_pa is None:
        return False
    return abs(zero.zero_pa) > tolerance_pa(setup, zero)


def removable(setup: CycleSetup, zero: Zero | None) -> bool:
    """Whether a zero is known well enough, and small enough, to be taken out of what the transmitter shows.

    Args:
        setup: the tank.
        zero: a look at it; None: there was none.
    """
    if zero is None or zero.zero_pa is None or zero.source is not Source.VENT or not zero.proven:
        return False
    span_pa = setup.span_high_pa - setup.span_low_pa
    return zero.came_back is True and abs(zero.zero_pa) <= MOST_SHARE * span_pa


def widened(setup: CycleSetup, zero: Zero | None) -> CycleSetup:
    """The tank with a drift that is not taken out in its transmitter's uncertainty.

    A known bias that is left in is added to the standard uncertainty as a root sum of squares: never less than the
    bias at k = 2 (the simplest of the ways that JCGM 100:2008, F.2.4.5, leaves open).

    Args:
        setup: the tank.
        zero: the drift; one within tolerance changes nothing.
    """
    if zero is None or zero.zero_pa is None or not beyond(setup, zero):
        return setup
    return dataclasses.replace(setup, transmitter_u_pa=math.hypot(setup.transmitter_u_pa, zero.zero_pa))


def less_zero(setup: CycleSetup, zero_pa: float) -> CycleSetup:
    """The tank as it is for a transmitter whose zero is taken out of what it shows: its limits move with it.

    Args:
        setup: the tank.
        zero_pa: what is taken out, Pa.
    """
    low_pa, high_pa = setup.fail_low_pa, setup.fail_high_pa
    return dataclasses.replace(
        setup,
        span_low_pa=setup.span_low_pa - zero_pa,
        span_high_pa=setup.span_high_pa - zero_pa,
        fail_low_pa=None if low_pa is None else low_pa - zero_pa,
        fail_high_pa=None if high_pa is None else high_pa - zero_pa,
    )


def shifted(learned: Learned, by_pa: float) -> Learned:
    """What was learned, after the zero that is taken out has changed; the tube's air is not what it was either.

    Args:
        learned: what was learned.
        by_pa: how much more is taken out than before, Pa.
    """
    proven_pa, shut_pa = learned.proven_gauge_pa, learned.shut_gauge_pa
    return dataclasses.replace(
        learned,
        proven_gauge_pa=None if proven_pa is None else proven_pa - by_pa,
        shut_gauge_pa=None if shut_pa is None else shut_pa - by_pa,
        shut_at_s=None,
    )


def seen_at_tip(setup: CycleSetup, reading: Reading, taken_out_pa: float = 0.0) -> Zero | None:
    """The zero as a reading with an uncovered tip shows it; None for any other reading.

    The air in the tube stands at the atmosphere's pressure then. A film of liquid over the tip that can't be told from
    none (`UNCOVERED_M`) is in the uncertainty, so that only a plain drift is told; one upwards looks like liquid.

    Args:
        setup: the tank.
        reading: of a cycle.
        taken_out_pa: zero that was taken out of what the transmitter showed in it, Pa.
    """
    features = reading.features
    if Diagnosis.TIP_UNCOVERED not in reading.codes or reading.quality is not Quality.GOOD:
        return None
    if features.shut_in_pa is None or features.shut_in_u_pa is None:
        return None
    film_pa = UNCOVERED_M * unit_weight_pa_m(setup) / math.sqrt(3.0)
    return Zero(
        source=Source.TIP,
        outcome=Outcome.MEASURED,
        zero_pa=features.shut_in_pa + taken_out_pa,
        u_pa=math.hypot(features.shut_in_u_pa, features.freeze_pa or 0.0, film_pa),
    )


def came_back(zero: Zero, gauge_pa: float) -> bool:
    """Whether a pressure shows that the transmitter is connected to the tube again.

    Args:
        zero: a look by the vent valve that moved the reading.
        gauge_pa: a pressure read after it, as the transmitter shows it, Pa.
    """
    rest_pa, zero_pa = zero.rest_pa or 0.0, zero.zero_pa or 0.0
    return abs(gauge_pa - zero_pa) > 0.5 * abs(rest_pa - zero_pa)


def cut_off(reading: Reading, zero: Zero, learned: Learned) -> Reading:
    """The reading of a transmitter that did not come back from its vent: what it shows is not the tube's pressure.

    Args:
        reading: of the cycle.
        zero: the look after which it did not come back.
        learned: what was known before the cycle: it teaches nothing.
    """
    sentence = (
        f"after its zero check the transmitter did not come back from {zero.zero_pa or 0.0:.0f} Pa towards the "
        f"{zero.rest_pa or 0.0:.0f} Pa of the tube: the vent valve may be stuck open, and what is read is not the tube"
    )
    finding = Finding(code=Diagnosis.TRANSMITTER_FROZEN, quality=Quality.BAD, sentence=sentence)
    others = tuple(f for f in reading.findings if f.code not in (Diagnosis.OK, Diagnosis.TIP_UNCOVERED))
    return dataclasses.replace(
        reading, findings=(finding, *others), head_pa=None, level_m=None, budget=None, learned=learned
    )


def begun(setup: CycleSetup, reading: Reading) -> Zero:
    """What is to be kept before the vent is opened: a death in the check must not pass for one that came back.

    Args:
        setup: the tank.
        reading: of the cycle before: the pressure that the tube has.
    """
    rest_pa = reading.features.shut_in_pa
    known = rest_pa is not None and abs(rest_pa) >= least_rest_pa(setup, reading.features.noise_pa or 0.0)
    return Zero(
        source=Source.VENT,
        outcome=Outcome.BEGUN,
        rest_pa=rest_pa,
        came_back=False if known else None,
        detail="its end is not known",
    )


def least_rest_pa(setup: CycleSetup, noise_pa: float) -> float:
    """Pressure in the tube below which it can't be seen whether the vent has opened and shut, Pa.

    Args:
        setup: the tank.
        noise_pa: standard deviation of the transmitter at rest, Pa.
    """
    return max(_MOVED_NOISES * noise_pa, _MOVED_SIGMAS * setup.transmitter_u_pa)


def told(setup: CycleSetup, zero: Zero, *, taken_out: bool) -> str:
    """One sentence with the numbers.

    Args:
        setup: the tank.
        zero: what was seen.
        taken_out: it is taken out of the readings from now on.
    """
    where = "with the vent open" if zero.source is Source.VENT else "with its tip in air"
    if zero.outcome is not Outcome.MEASURED or zero.zero_pa is None:
        lost = "; that it came back to the tube was not seen" if zero.came_back is False else ""
        return f"the zero was not measured ({zero.outcome.value}): {zero.detail}{lost}"
    text = f"{where} the transmitter shows {zero.zero_pa:+.1f} Pa (u = {zero.u_pa or 0.0:.1f} Pa)"
    limit_pa = tolerance_pa(setup, zero)
    if not beyond(setup, zero):
        text += f", within the {limit_pa:.0f} Pa of its tolerance"
    else:
        text += f", beyond the {limit_pa:.0f} Pa of its tolerance: have its zero set"
        text += "" if taken_out else "; every reading is widened by what is not taken out of it"
    if taken_out:
        text += "; it is taken out of the readings"
    if zero.source is Source.VENT and not zero.proven:
        text += "; nothing stood in the tube, so that nothing shows that the vent opened"
    if zero.came_back is False:
        text += "; it did NOT come back to the tube's pressure: the vent valve may be stuck open"
    return text
