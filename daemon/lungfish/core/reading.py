"""What one cycle found: the level, how well it is known, why, and the trace that it rests on."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

from lungfish.core.budget import Budget, Measured
from lungfish.core.codes import Diagnosis, Finding, Quality, joined
from lungfish.core.setup import Learned

__all__ = ["Features", "Phase", "Reading", "TraceSample"]


class Phase(Enum):
    """Phases of the cycle; also its states."""

    REST = "rest"
    LOOK = "look"
    FILL = "fill"
    HOLD = "hold"
    SHUT_IN = "shut-in"
    DONE = "done"


@dataclass(frozen=True, slots=True)
class TraceSample:
    """One sample of the pressure trace."""

    t_s: float
    """Seconds after the cycle's start."""
    gauge_pa: float
    """Gauge pressure at the transmitter, Pa, as read."""
    phase: Phase
    """What the cycle was doing."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Features:
    """The row of numbers that verdicts are made from. None: this cycle could not tell."""

    trapped_pa: float | None = None
    """Gauge pressure before the valve opened, Pa."""
    noise_pa: float | None = None
    """Standard deviation of the transmitter with the valve shut, Pa."""
    period_s: float | None = None
    """Median time between samples, s."""
    fill_s: float | None = None
    """Valve open to first bubble, s; 0 when the tube was full."""
    fill_slope_pa_s: float | None = None
    """Slope of the rise, Pa/s."""
    rise_shape: float | None = None
    """Time from 50 to 90 % of the rise over that from 10 to 50 %: about 1 for a steady flow, 2.7 for one that dies."""
    expected_slope_pa_s: float | None = None
    """Slope that flow and geometry make one expect for a tube about to be full, Pa/s."""
    plateau_pa: float | None = None
    """Pressure while bubbling, at the moment of closing, damping taken out, Pa."""
    plateau_u_pa: float | None = None
    """Its standard uncertainty from noise, Pa."""
    plateau_scatter_pa: float | None = None
    """Standard deviation of the samples about the plateau, Pa."""
    hold_slope_pa_s: float | None = None
    """Slope while bubbling, Pa/s."""
    hold_slope_u_pa_s: float | None = None
    """Its standard uncertainty with the samples' autocorrelation allowed for, Pa/s."""
    shut_in_pa: float | None = None
    """Pressure gone back to the moment of closing, damping, friction and leak taken out, Pa."""
    shut_in_u_pa: float | None = None
    """Its standard uncertainty from noise, Pa."""
    shut_in_slope_pa_s: float | None = None
    """Slope after closing, Pa/s; negative: a leak or a falling level."""
    shut_in_slope_u_pa_s: float | None = None
    """Its standard uncertainty, Pa/s."""
    friction_pa: float | None = None
    """Plateau less shut-in, Pa."""
    expected_friction_pa: float | None = None
    """Friction from line and flow, corrected by what was learned, Pa."""
    freeze_pa: float | None = None
    """Standard deviation of what the closing may have frozen of the ripple, Pa."""
    damping_s: float | None = None
    """Time constant of transmitter and sense line, s."""
    autocorrelation: float | None = None
    """Lag-1 autocorrelation of the residuals after closing."""
    least_air_pa_m3: float | None = None
    """Least air that this reading could have cost, as pV, Pa m3."""
    air_pa_m3: float | None = None
    """Air let in, as pV, Pa m3."""
    supply_seen: bool | None = None
    """The supply's switch said yes all along (True) or once no (False)."""
    flow_seen: bool | None = None
    """Air passed the open valve, as the flow switch said last before closing."""
    flow_at_rest: bool | None = None
    """It said so before the valve opened."""
    reads_failed: int = 0
    """Reads that gave no usable answer."""
    samples: int = 0
    """Samples in the trace."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """The result of one cycle."""

    started_at_s: float
    """Monotonic start of the cycle, s."""
    opened_at_s: float | None
    """Monotonic time at which the valve opened; None: never opened."""
    shut_at_s: float | None
    """Monotonic time at which the valve shut, the moment that the level is true for; None: not confirmed."""
    ended_at_s: float
    """Monotonic end of the cycle, s."""
    head_pa: Measured | None
    """Hydrostatic head above the tip, Pa, gas column taken out; None when not known."""
    level_m: Measured | None
    """Level above the tank floor, m; None when not known."""
    budget: Budget | None
    """Where the level's uncertainty comes from, in m."""
    findings: tuple[Finding, ...]
    """Verdicts, at least one."""
    features: Features
    """The numbers behind the verdicts."""
    trace: tuple[TraceSample, ...]
    """Every usable sample."""
    learned: Learned
    """For the next cycle."""

    @property
    def open_s(self) -> float:
        """Time that the valve was open, s; 0 if it never was."""
        if self.opened_at_s is None:
            return 0.0
        end_s = self.shut_at_s if self.shut_at_s is not None else self.ended_at_s
        return max(0.0, end_s - self.opened_at_s)

    @property
    def quality(self) -> Quality:
        """The worst of the findings."""
        order = (Quality.BAD, Quality.UNCERTAIN, Quality.GOOD)
        return min((finding.quality for finding in self.findings), key=order.index)

    @property
    def diagnosis(self) -> str:
        """Codes joined by `+`, the gravest first."""
        return joined(self.findings)

    @property
    def codes(self) -> frozenset[Diagnosis]:
        """The codes as a set."""
        return frozenset(finding.code for finding in self.findings)
