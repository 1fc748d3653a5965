"""From a tank of the site file to what its measuring cycle must know."""

from __future__ import annotations

from lungfish.config.current import failure_limits_pa
from lungfish.config.model import AirSpec, Site, Tank, Tee
from lungfish.core.setup import CycleSetup

__all__ = ["cycle_setup", "setup_of"]


def cycle_setup(site: Site, tank: Tank) -> CycleSetup:
    """What the cycle of one tank must know.

    Args:
        site: the whole site.
        tank: one of its tanks.
    """
    return setup_of(
        tank,
        site.air,
        gravity_m_s2=site.gravity_m_s2,
        gravity_u_m_s2=site.gravity_u_m_s2,
        atmosphere_abs_pa=site.atmosphere_abs_pa,
    )


def setup_of(
    tank: Tank, air: AirSpec, *, gravity_m_s2: float, gravity_u_m_s2: float, atmosphere_abs_pa: float
) -> CycleSetup:
    """The same from its parts, for a site that is not whole yet.

    Args:
        tank: the tank; its tip must lie below the brim.
        air: the site's compressed air.
        gravity_m_s2: local gravity.
        gravity_u_m_s2: its standard uncertainty.
        atmosphere_abs_pa: atmospheric pressure.
    """
    limits = failure_limits_pa(tank.transmitter)
    return CycleSetup(
        density_kg_m3=tank.liquid.density_kg_m3,
        density_u_kg_m3=tank.liquid.density_u_kg_m3,
        gravity_m_s2=gravity_m_s2,
        gravity_u_m_s2=gravity_u_m_s2,
        atmosphere_abs_pa=atmosphere_abs_pa,
        air_k=air.temperature_k,
        tip_m=tank.tip_m,
        tip_u_m=tank.tip_u_m,
        tube_bore_m=tank.tube_bore_m,
        tube_length_m=tank.tube_length_m,
        line_bore_m=tank.line_bore_m,
        line_length_m=tank.line_length_m,
        tee_at_valve=tank.tee is Tee.VALVE_END,
        transmitter_height_m=tank.transmitter.height_m,
        span_low_pa=tank.transmitter.span_low_gauge_pa,
        span_high_pa=tank.transmitter.span_high_gauge_pa,
        transmitter_u_pa=tank.transmitter.u_pa,
        damping_s=tank.transmitter.damping_s,
        full_head_m=tank.vessel_height_m - tank.tip_m,
        supply_gauge_pa=air.supply_gauge_pa,
        flow_pa_m3_s=air.flow_pa_m3_s,
        critical_ratio=air.critical_ratio,
        max_open_s=tank.valve.max_open_s,
        flow_response_s=tank.inputs.flow_response_s,
        fail_low_pa=limits[0],
        fail_high_pa=limits[1],
    )
