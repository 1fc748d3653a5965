"""How far a tube may be blown down: bounds that hold for the worst plug, the slowest link and a lost answer."""

from __future__ import annotations

import math
from dataclasses import dataclass

from lungfish.core.expect import full_gauge_pa, line_friction_at_pa
from lungfish.core.setup import CycleSetup, Learned
from lungfish.physics.tube import pipe_volume_m3

__all__ = ["LEAST_PULSE_S", "ClearBounds", "ClearSetup", "clear_bounds", "least_volume_m3", "worth_it"]

LEAST_PULSE_S = 0.5
"""A pulse that could last no longer than this is not begun: it would move next to nothing."""
_FLOW_SHARE = 1.1
"""The restrictor may let through this much more than it is set to (common practice)."""
_FRICTION_SHARE = 1.5
"""The line's friction may be this much more than its bore says: fittings, dirt (common practice)."""
_SEEN_SHARE = 1.2
"""A plugged tube that was seen to fill at some rate may fill this much faster the next time."""
_LAG_SIGMAS = 2.0
_LONGEST_LAG_S = 5.0


@dataclass(frozen=True, slots=True, kw_only=True)
class ClearSetup:
    """What the site file allows for one tank, SI throughout."""

    pressure_pa: float
    """Highest gauge pressure that line and tube may see."""
    bears_pa: float
    """Highest gauge pressure that the transmitter bears: its stated overload, else the top of its span."""
    pulses: int
    """Pulses of one try, at least 1."""
    pulse_s: float
    """Longest time that the valve is open in one pulse, s."""
    rest_s: float
    """From the end of a pulse to the next, s."""
    tries: int
    """Tries within 24 h, at least 1."""
    between_s: float
    """From the start of a try to the next, at least, s."""
    delay_s: float
    """Longest time from deciding to shut to the valve being shut, lost answers and the valve itself in it, s."""
    friction_ratio: float
    """A tube whose friction is this many times the normal one is blown down although it still reads."""
    supply_gauge_pa: float
    """Pressure of the air that it is blown with."""
    flow_pa_m3_s: float
    """Greatest flow of that air, as throughput pV."""
    max_open_s: float
    """Longest time that the blow valve may be open, s."""

    @property
    def limit_pa(self) -> float:
        """Gauge pressure that must not be passed at the transmitter."""
        return min(self.pressure_pa, self.bears_pa)


@dataclass(frozen=True, slots=True, kw_only=True)
class ClearBounds:
    """What is sure of the pressure at the transmitter while the tube is blown, whatever has plugged it."""

    limit_pa: float
    """Must not be passed."""
    rate_pa_s: float
    """The pressure climbs no faster than this; infinite when nothing bounds it, 0 when the supply can't pass it."""
    beside_pa: float
    """It may stand this much above what was read: friction, damping, the transmitter's error."""
    delay_s: float
    """From deciding to shut to shut, s."""

    @property
    def overshoot_pa(self) -> float:
        """How far the pressure may go on at worst after the decision to shut."""
        return self.beside_pa + self.rate_pa_s * self.delay_s

    @property
    def stop_pa(self) -> float:
        """A reading of this or more ends a pulse."""
        return self.limit_pa - self.overshoot_pa

    def shut_by_s(self, read_at_s: float, gauge_pa: float) -> float:
        """The moment at which the valve must be told to shut, whatever is or is not heard until then.

        Args:
            read_at_s: when the last usable pressure was true, s.
            gauge_pa: that pressure.

        Returns:
            Monotonic time, s; infinite when the air's own supply can't reach the limit.
        """
        if self.rate_pa_s == 0.0:
            return math.inf
        return read_at_s + (self.limit_pa - self.beside_pa - gauge_pa) / self.rate_pa_s - self.delay_s


def least_volume_m3(setup: CycleSetup) -> float:
    """Air in line and tube with as much liquid shut into the tube as can be, m3; 0 when it may reach the line.

    Args:
        setup: the tank.
    """
    if setup.full_head_m > setup.tube_length_m:
        return 0.0
    space = setup.air_space
    line_m3 = pipe_volume_m3(setup.line_bore_m, setup.line_length_m) if setup.line_length_m > 0 else 0.0
    return max(line_m3, space.air_volume_m3(setup.full_head_m))


def clear_bounds(
    setup: CycleSetup, clear: ClearSetup, learned: Learned | None = None, seen_pa_s: float | None = None
) -> ClearBounds:
    """Work out the bounds.

    The plug is taken to sit at the tip: nothing leaves, and the air has line and tube to fill, less the liquid that may
    be shut in. A plug in the line leaves less: what the last cycles saw of the climb counts where it is faster.

    Args:
        setup: the tank.
        clear: what its site file allows.
        learned: what its cycles know of the transmitter's damping; None: what a first cycle takes.
        seen_pa_s: fastest climb that the plugged tube was seen to make, Pa/s; None: none seen.
    """
    known = learned or Learned()
    limit_pa = clear.limit_pa
    error_pa = 3.0 * setup.transmitter_u_pa
    if clear.supply_gauge_pa + error_pa <= limit_pa:
        return ClearBounds(limit_pa=limit_pa, rate_pa_s=0.0, beside_pa=0.0, delay_s=clear.delay_s)
    flow = _FLOW_SHARE * clear.flow_pa_m3_s
    volume_m3 = least_volume_m3(setup)
    rate = flow / volume_m3 if volume_m3 > 0.0 else math.inf
    rate = max(rate, _SEEN_SHARE * (seen_pa_s or 0.0))
    friction_pa = _FRICTION_SHARE * line_friction_at_pa(setup, flow, 0.0)
    lag_s = min(_LONGEST_LAG_S, known.damping_s * math.exp(_LAG_SIGMAS * known.log_damping_u))
    if setup.damping_s is not None:
        lag_s = max(lag_s, 1.5 * setup.damping_s)
    return ClearBounds(
        limit_pa=limit_pa, rate_pa_s=rate, beside_pa=friction_pa + rate * lag_s + error_pa, delay_s=clear.delay_s
    )


def worth_it(setup: CycleSetup, bounds: ClearBounds) -> bool:
    """Whether a pulse can press harder than a brim-full tank does anyway.

    Args:
        setup: the tank.
        bounds: from `clear_bounds`.
    """
    return bounds.rate_pa_s == 0.0 or bounds.stop_pa > full_gauge_pa(setup)
