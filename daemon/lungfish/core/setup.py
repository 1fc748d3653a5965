"""What a cycle must know before it starts: the tube and its surroundings, and what earlier cycles have learned."""

from __future__ import annotations

from dataclasses import dataclass

from lungfish.physics.bubble import ripple_bound_pa
from lungfish.physics.tube import AirSpace, bore_area_m2, pipe_volume_m3

__all__ = ["CycleSetup", "Learned"]


@dataclass(frozen=True, slots=True, kw_only=True)
class CycleSetup:
    """One tank as its cycle sees it, SI throughout. Built from the site file."""

    density_kg_m3: float
    """Density of the liquid."""
    density_u_kg_m3: float
    """Its standard uncertainty."""
    gravity_m_s2: float
    """Local gravity."""
    gravity_u_m_s2: float
    """Its standard uncertainty."""
    atmosphere_abs_pa: float
    """Atmospheric pressure at the tank."""
    air_k: float
    """Temperature of the air in tube and line."""
    tip_m: float
    """Height of the tip above the tank floor."""
    tip_u_m: float
    """Its standard uncertainty."""
    tube_bore_m: float
    """Bore of the dip tube."""
    tube_length_m: float
    """From the tip to where the line joins."""
    line_bore_m: float
    """Bore of the line from the valve to the tube."""
    line_length_m: float
    """Its length; 0 when the valve sits on the tube."""
    tee_at_valve: bool
    """The transmitter sees all of the line's friction (valve-end) or none (tube-end)."""
    transmitter_height_m: float
    """Height of the transmitter above the tip."""
    span_low_pa: float
    """Gauge pressure at the bottom of the transmitter's span."""
    span_high_pa: float
    """Gauge pressure at its top."""
    transmitter_u_pa: float
    """Standard uncertainty of the transmitter (accuracy, zero, temperature)."""
    damping_s: float | None
    """Time constant of the transmitter if the site file states it; None: found by itself."""
    full_head_m: float
    """Head above the tip of a brim-full vessel."""
    supply_gauge_pa: float
    """Supply pressure upstream of the restrictor."""
    flow_pa_m3_s: float
    """Choked flow of the restrictor as throughput pV at the air temperature."""
    critical_ratio: float
    """Critical pressure ratio b of the restrictor (ISO 6358)."""
    max_open_s: float
    """Longest time that the valve may be open in one cycle."""
    flow_response_s: float = 0.0
    """Time that the flow switch takes to see air; 0 when there is none."""
    fail_low_pa: float | None = None
    """At this value or below a current loop says that its transmitter has failed; None: it is none."""
    fail_high_pa: float | None = None
    """The same at this value or above."""

    @property
    def air_space(self) -> AirSpace:
        """Air in tube and line down to the tip."""
        line_m3 = pipe_volume_m3(self.line_bore_m, self.line_length_m) if self.line_length_m else 0.0
        tube_m3 = pipe_volume_m3(self.tube_bore_m, self.tube_length_m)
        return AirSpace(volume_m3=tube_m3 + line_m3, area_m2=bore_area_m2(self.tube_bore_m))

    @property
    def ripple_bound_pa(self) -> float:
        """Largest ripple of bubbles at the tip, peak to peak, Pa: one bore of the liquid."""
        return ripple_bound_pa(self.tube_bore_m, self.density_kg_m3, self.gravity_m_s2)


@dataclass(frozen=True, slots=True, kw_only=True)
class Learned:
    """What earlier cycles of this tube found out, to be handed to the next one. Kept over restarts."""

    cycles: int = 0
    """Cycles that have taught something."""
    friction_ratio: float = 1.0
    """Friction while bubbling, measured over predicted from the geometry."""
    friction_ratio_u: float = 0.15
    """Its standard uncertainty; the default is what bores and flows of catalogue parts scatter by (common practice)."""
    damping_s: float = 0.4
    """Time constant of transmitter and sense line, s."""
    log_damping_u: float = 1.0
    """Standard uncertainty of its logarithm; 1 means a factor of e either way."""
    freeze_var_pa2: float | None = None
    """Mean square of what a closing freezes of the bubble's ripple, Pa2; None before the first cycle."""
    freeze_dof: float = 0.0
    """How many closings stand behind it."""
    leak_pa_s: float | None = None
    """Fall of the last shut-in, Pa/s, positive for a fall; None when unknown."""
    leak_u_pa_s: float = 3.0
    """Its standard uncertainty, Pa/s."""
    proven_gauge_pa: float | None = None
    """Pressure of the head when air was last proven to bubble at the tip, Pa; None: never yet."""
    noise_pa: float | None = None
    """Standard deviation of the transmitter at rest as it usually is, Pa; None: not seen yet."""
    stirs: bool = False
    """At rest the transmitter's values have differed from each other: one that stands still for good is frozen."""
    owed_pa: float = 0.0
    """Rise that openings still owe since air was last proven, for the level has compressed the air, Pa."""
    expected_pa: float = 0.0
    """Rise that is expected of them, all of a leak's share in it, Pa."""
    brought_var_pa2: float = 0.0
    """Variance of what they have brought since, Pa2."""
    came: bool = False
    """Air was seen to come into the tube, be it to the tip or not."""
    closed_pa: float = 0.0
    """What closings took away on the mean since air was last proven, Pa."""
    closed_weight: float = 0.0
    """One over the variance of that mean, 1/Pa2; 0 when no such closing was seen."""
    stuck_open: bool = False
    """The last closing did not end the flow."""
    weak_closing: bool = False
    """The last closing took away so little of the friction that it may not have ended the flow."""
    lost_pa_s: float | None = None
    """Pressure that the shut tube was last found to lose between two cycles, Pa/s; None: not known yet."""
    shut_gauge_pa: float | None = None
    """Pressure at the end of the last shut-in, Pa; None when unknown."""
    shut_at_s: float | None = None
    """When that was, monotonic s; None after a restart."""

    @property
    def was_proven(self) -> bool:
        """Air was proven at the tip in the cycle before this one."""
        return self.proven_gauge_pa is not None and self.closed_weight == 0.0
