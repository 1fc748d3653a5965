"""Plants drawn at random, each with a site file that knows it as well as its stated tolerances say."""

from __future__ import annotations

import math
import random
from dataclasses import dataclass

from lungfish.core.setup import CycleSetup
from lungfish.rig.drive import LinkTiming
from lungfish.rig.plant import PlantParameters

__all__ = ["SeededPlant", "draw_plant"]

MM = 1e-3


@dataclass(frozen=True)
class SeededPlant:
    """The truth, what the cycle is told, and the link between them."""

    params: PlantParameters
    setup: CycleSetup
    timing: LinkTiming
    rate_m_s: float


def draw_plant(seed: int) -> SeededPlant:
    """Draw one plant.

    Bores of tube and line 4 to 25 mm, lines 0 to 60 m, either tee, noise to 20 Pa, ripple to one bore, damping 0.05
    to 1.5 s, leak to 100 Pa/s at 2 m, level moving to 1 mm/s either way, densities 950 to 1250 kg/m3. What the site
    file states is off by its own tolerances: density 0.02 %, tip 1 mm, transmitter 10 Pa (rectangular half-widths),
    flow 2 %, bores 1 %.
    """
    rng = random.Random(seed)
    tube_bore = rng.uniform(4.0, 25.0) * MM
    line_bore = rng.uniform(4.0, min(10.0, tube_bore / MM)) * MM
    line_length = rng.choice([0.0, rng.uniform(0.5, 60.0), rng.uniform(0.5, 60.0)])
    depth = rng.uniform(1.5, 6.0)
    density = rng.uniform(950.0, 1250.0)
    gravity = rng.uniform(9.78, 9.83)
    tube_length = depth + rng.uniform(0.0, 0.5)
    tip = rng.uniform(0.05, 0.2)
    start = tip + rng.uniform(0.1, 0.95) * (depth - tip)
    rate = rng.choice([0.0, rng.uniform(-1.0, 1.0) * MM])
    # A restrictor is chosen to fill its tube in reasonable time: more flow for a wider tube.
    flow = 1.6667 * rng.uniform(0.7, 2.0) * max(0.6, (tube_bore / 0.010) ** 1.2)
    space = math.pi / 4 * (tube_bore**2 * tube_length + line_bore**2 * line_length)
    area = math.pi / 4 * tube_bore**2
    weight = density * gravity
    at_2m = 2.0 * 998.2 * 9.80665
    capacity = space + (101325.0 + at_2m) * area / weight
    leak = rng.choice([0.0, rng.uniform(0.0, 100.0)]) * capacity / at_2m
    full = depth - tip
    span = max(10e3, 1.25 * weight * full + 3000.0)

    def off(half_width: float) -> float:
        return rng.uniform(-half_width, half_width)

    def level_m(t_s: float) -> float:
        """Back and forth between 10 and 95 % of the depth at the drawn rate."""
        low, high = tip + 0.1 * full, tip + 0.95 * full
        span_m = high - low
        phase = ((start - low) + rate * t_s) % (2.0 * span_m)
        return low + (phase if phase <= span_m else 2.0 * span_m - phase)

    tee_at_valve = rng.random() < 0.5
    atmosphere = rng.uniform(97e3, 103e3)
    damping = math.exp(rng.uniform(math.log(0.05), math.log(1.5)))
    params = PlantParameters(
        level_m=level_m,
        density_kg_m3=density * (1.0 + off(2e-4)),
        gravity_m_s2=gravity,
        atmosphere_abs_pa=atmosphere,
        air_k=293.15 + off(10.0),
        tip_m=tip + off(1.0 * MM),
        tube_bore_m=tube_bore * (1.0 + off(0.01)),
        tube_length_m=tube_length,
        line_bore_m=line_bore * (1.0 + off(0.01)),
        line_length_m=line_length,
        tee_at_valve=tee_at_valve,
        transmitter_height_m=tube_length,
        supply_gauge_pa=rng.uniform(200e3, 500e3),
        flow_pa_m3_s=flow * (1.0 + off(0.02)),
        leak_pa_m3_s_pa=leak,
        leak_at_valve=False,
        ripple_pa=rng.random() * tube_bore * weight,
        noise_pa=rng.uniform(0.5, 20.0),
        damping_s=damping,
        zero_pa=off(10.0),
        span_high_pa=span,
        span_low_pa=-0.02 * span,
    )
    setup = CycleSetup(
        density_kg_m3=density,
        density_u_kg_m3=density * 2e-4 / math.sqrt(3.0),
        gravity_m_s2=gravity,
        gravity_u_m_s2=0.0,
        atmosphere_abs_pa=atmosphere,
        air_k=293.15,
        tip_m=tip,
        tip_u_m=1.0 * MM / math.sqrt(3.0),
        tube_bore_m=tube_bore,
        tube_length_m=tube_length,
        line_bore_m=line_bore,
        line_length_m=line_length,
        tee_at_valve=tee_at_valve,
        transmitter_height_m=tube_length,
        span_low_pa=0.0,
        span_high_pa=span,
        transmitter_u_pa=10.0 / math.sqrt(3.0),
        damping_s=None,
        full_head_m=full,
        supply_gauge_pa=params.supply_gauge_pa,
        flow_pa_m3_s=flow,
        critical_ratio=params.critical_ratio,
        max_open_s=300.0,
    )
    read_s = rng.uniform(0.003, 0.06)
    return SeededPlant(params, setup, LinkTiming(read_s=read_s, write_s=2.0 * read_s), rate)
