"""Air of a cycle: what was let in, and the least that the reading could have cost. As pV at the air's temperature."""

from __future__ import annotations

from lungfish.core.expect import line_friction_at_pa, throughput_pa_m3_s, unit_weight_pa_m
from lungfish.core.level import head_m
from lungfish.core.record import Record
from lungfish.core.setup import CycleSetup
from lungfish.physics.tube import pipe_volume_m3

__all__ = ["air_used_pa_m3", "first_bubble_after_s", "least_air_pa_m3"]


def air_used_pa_m3(setup: CycleSetup, record: Record) -> float | None:
    """Air let in while the valve was open: the restrictor's flow against the pressure that was read.

    Args:
        setup: the tank.
        record: the cycle's record; a valve that never confirmed its shutting counts as open to the last sample.

    Returns:
        Air, Pa m3; 0 if the valve never opened, None when it opened and no pressure was read.
    """
    if record.opened_s is None:
        return 0.0
    end_s = record.shut_s if record.shut_s is not None else max(record.opened_s, record.last_good_s)
    times, gauges = record.since(record.opened_s, end_s)
    if not times:
        if not record.gauge_pa:
            return None
        times, gauges = [record.opened_s], [record.gauge_pa[-1]]
    friction_pa = 0.0 if setup.tee_at_valve else line_friction_at_pa(setup, setup.flow_pa_m3_s, gauges[-1])
    flows = [throughput_pa_m3_s(setup, gauge + friction_pa) for gauge in gauges]
    total = flows[0] * (times[0] - record.opened_s) + flows[-1] * (end_s - times[-1])
    for k in range(1, len(times)):
        total += 0.5 * (flows[k] + flows[k - 1]) * (times[k] - times[k - 1])
    return max(0.0, total)  # stamps that run back can make the opening end before it began


def least_air_pa_m3(setup: CycleSetup, trapped_pa: float, head_gauge_pa: float) -> float:
    """Least air that could have taken this reading: what pushes the liquid from where it stood to the tip.

    Args:
        setup: the tank.
        trapped_pa: gauge pressure at the transmitter before opening.
        head_gauge_pa: gauge pressure at the transmitter that the head gives without friction.
    """
    weight = unit_weight_pa_m(setup)
    return setup.air_space.least_air_pa_m3(
        max(0.0, head_m(setup, trapped_pa)) * weight,
        max(0.0, head_m(setup, head_gauge_pa)),
        density_kg_m3=setup.density_kg_m3,
        gravity_m_s2=setup.gravity_m_s2,
        atmosphere_pa=setup.atmosphere_abs_pa,
    )


def first_bubble_after_s(setup: CycleSetup, trapped_pa: float, head_gauge_pa: float) -> float:
    """Time after opening before which the tip can't have been reached at the set flow, s.

    The least air for the pressure at hand must have gone in, and the line must have been packed to its friction:
    before that, what looks like a plateau is the damping of the transmitter.

    Args:
        setup: the tank.
        trapped_pa: gauge pressure at the transmitter before opening.
        head_gauge_pa: gauge pressure at the transmitter that the head gives without friction.
    """
    friction_pa = line_friction_at_pa(setup, setup.flow_pa_m3_s, head_gauge_pa)
    flow = throughput_pa_m3_s(setup, head_gauge_pa + friction_pa)
    line_m3 = setup.air_space.volume_m3 - pipe_volume_m3(setup.tube_bore_m, setup.tube_length_m)
    needed = least_air_pa_m3(setup, trapped_pa, head_gauge_pa) + 0.5 * friction_pa * max(0.0, line_m3)
    return needed / flow if flow > 0 else 0.0
