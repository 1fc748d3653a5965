"""Faults drawn at random on plants drawn at random: what is set, what is right to say, and whether it can be told.

Whether a fault can be told is decided from the truth about the plant, never from what the cycle said. Each rule is
the physics of what pressure and valve show: a fault that moves nothing at the transmitter beyond its noise is no
fault to be told by it, and is counted apart.
"""

from __future__ import annotations

import dataclasses
import math
import random
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from lungfish.core.expect import bubbling_friction_pa, throughput_pa_m3_s
from lungfish.rig.plant import Plant
from tests.campaign.seeded_plants import SeededPlant

__all__ = ["KINDS", "Fault", "FaultKind"]


@dataclass(frozen=True)
class Fault:
    """One fault on one plant."""

    severity: float
    """What it is counted in stands with its kind."""
    tellable: bool
    """Pressure and valve can tell it."""


@dataclass(frozen=True)
class FaultKind:
    """A kind of fault: how it is drawn, and which codes say it rightly."""

    right: frozenset[str]
    """Any of these codes tells it."""
    begin: Callable[[random.Random, Plant, SeededPlant, int], Fault]
    """Sets it on the plant, which has had so many good cycles before."""


def _head_pa(plant: Plant) -> float:
    return plant.head_pa


def _friction_seen_pa(seeded: SeededPlant, plant: Plant) -> float:
    """Friction that flowing air shows at the transmitter when all is well, Pa."""
    return bubbling_friction_pa(seeded.setup, _head_pa(plant))


def _blur_pa(seeded: SeededPlant) -> float:
    """What noise and a frozen bubble leave of a step, Pa: a second of samples on either side, and half the ripple."""
    return math.hypot(seeded.params.noise_pa / 3.0, seeded.params.ripple_pa / 4.0)


def _moves(seeded: SeededPlant, plant: Plant, before: int) -> bool:
    """Whether a purge that works must move the pressure beyond doubt at this moment.

    In a tube that has been shut, a leak that is slower than a level falls looks like one, and a tube under a falling
    level needs no air.
    """
    weight = plant.params.density_kg_m3 * plant.params.gravity_m_s2
    limit_pa = 8.0 * _blur_pa(seeded) + 20.0
    if _friction_seen_pa(seeded, plant) > limit_pa:
        return True
    leak_pa_s = plant.params.leak_pa_m3_s_pa * _head_pa(plant) / _capacity_m3(seeded, plant)
    return plant.rise_m * weight > limit_pa and (before == 0 or leak_pa_s > 25.0)


def _capacity_m3(seeded: SeededPlant, plant: Plant) -> float:
    """Air (pV) for each pascal of a full tube: compression and the liquid that comes in, m3."""
    p = plant.params
    area = math.pi / 4.0 * p.tube_bore_m**2
    space = area * p.tube_length_m + math.pi / 4.0 * p.line_bore_m**2 * p.line_length_m
    return space + (p.atmosphere_abs_pa + _head_pa(plant)) * area / (p.density_kg_m3 * p.gravity_m_s2)


def _air_lost(rng: random.Random, plant: Plant, seeded: SeededPlant, before: int) -> Fault:
    plant.faults.air_lost = True
    return Fault(1.0, _moves(seeded, plant, before))


def _valve_stuck_shut(rng: random.Random, plant: Plant, seeded: SeededPlant, before: int) -> Fault:
    plant.faults.valve_stuck = False
    return Fault(1.0, _moves(seeded, plant, before))


def _supply_low(rng: random.Random, plant: Plant, seeded: SeededPlant, before: int) -> Fault:
    """Severity: supply over head."""
    share = rng.uniform(0.1, 0.95)
    plant.params = dataclasses.replace(plant.params, supply_gauge_pa=share * _head_pa(plant))
    return Fault(share, _moves(seeded, plant, before))


def _little_flow(rng: random.Random, plant: Plant, seeded: SeededPlant, before: int) -> Fault:
    """Severity: flow over the set one."""
    share = math.exp(rng.uniform(math.log(0.01), math.log(0.25)))
    plant.params = dataclasses.replace(plant.params, flow_pa_m3_s=plant.params.flow_pa_m3_s * share)
    return Fault(share, _moves(seeded, plant, before) and plant.rise_m * 9810.0 > 1000.0 + 8.0 * _blur_pa(seeded))


def _plugged(rng: random.Random, plant: Plant, seeded: SeededPlant, before: int) -> Fault:
    plant.faults.plugged = True
    return Fault(1.0, True)


def _restricted(rng: random.Random, plant: Plant, seeded: SeededPlant, before: int) -> Fault:
    """Severity: pressure that the restriction takes at the flow, Pa."""
    friction_pa = _friction_seen_pa(seeded, plant)
    excess_pa = math.exp(rng.uniform(math.log(100.0), math.log(20e3)))
    flow = throughput_pa_m3_s(seeded.setup, _head_pa(plant) + friction_pa)
    plant.faults.tip_pa_s_m3 = excess_pa / flow
    return Fault(excess_pa, excess_pa > 8.0 * _blur_pa(seeded) + 0.75 * friction_pa + 50.0)


def _leak(rng: random.Random, plant: Plant, seeded: SeededPlant, before: int) -> Fault:
    """Severity: leak at this head over the flow of the purge."""
    share = math.exp(rng.uniform(math.log(0.02), math.log(4.0)))
    flow = throughput_pa_m3_s(seeded.setup, _head_pa(plant) + _friction_seen_pa(seeded, plant))
    plant.faults.extra_leak_pa_m3_s_pa = share * flow / max(1000.0, _head_pa(plant))
    falls_pa_s = share * flow / _capacity_m3(seeded, plant)
    return Fault(share, falls_pa_s > 60.0 + 3.0 * seeded.params.noise_pa)


class StickingPlant(Plant):
    """A plant whose valve stays open once it is told to open."""

    def command(self, to_open: bool) -> None:
        super().command(to_open)
        if to_open:
            self.faults.valve_stuck = True


def _valve_stuck_open(rng: random.Random, plant: Plant, seeded: SeededPlant, before: int) -> Fault:
    plant.__class__ = StickingPlant
    friction = _friction_seen_pa(seeded, plant) > 8.0 * _blur_pa(seeded) + 20.0
    return Fault(1.0, friction)


def _frozen(rng: random.Random, plant: Plant, seeded: SeededPlant, before: int) -> Fault:
    plant.gauge_pa()  # its last live value
    plant.faults.frozen = True
    return Fault(1.0, True)


def _no_number(rng: random.Random, plant: Plant, seeded: SeededPlant, before: int) -> Fault:
    plant.faults.reads_pa = math.nan
    return Fault(1.0, True)


def _off_span(rng: random.Random, plant: Plant, seeded: SeededPlant, before: int) -> Fault:
    setup = seeded.setup
    span = setup.span_high_pa - setup.span_low_pa
    low = setup.span_low_pa - rng.uniform(0.03, 0.5) * span
    high = setup.span_high_pa + rng.uniform(0.04, 0.5) * span
    plant.faults.reads_pa = rng.choice([low, high])
    return Fault(1.0, True)


def _uncovered(rng: random.Random, plant: Plant, seeded: SeededPlant, before: int) -> Fault:
    """No fault, but to be told: the liquid below the tip. Severity: by how much, m."""
    below_m = rng.uniform(0.0, seeded.params.tip_m)
    level_m = seeded.params.tip_m - below_m
    plant.params = dataclasses.replace(plant.params, level_m=lambda _t_s: level_m)
    return Fault(below_m, _friction_seen_pa(seeded, plant) > 8.0 * _blur_pa(seeded) + 20.0)


NO_AIR = frozenset({"no_air"})

KINDS: Mapping[str, FaultKind] = {
    "air lost": FaultKind(NO_AIR, _air_lost),
    "valve stuck shut": FaultKind(NO_AIR, _valve_stuck_shut),
    "supply below the head": FaultKind(frozenset({"supply_low", "no_air"}), _supply_low),
    "little flow": FaultKind(frozenset({"supply_low", "no_air"}), _little_flow),
    "tip plugged": FaultKind(frozenset({"tube_plugged", "over_range"}), _plugged),
    "tip restricted": FaultKind(frozenset({"tube_restricted", "tube_plugged", "over_range"}), _restricted),
    "leak": FaultKind(frozenset({"line_leak"}), _leak),
    "valve stuck open": FaultKind(frozenset({"valve_stuck_open"}), _valve_stuck_open),
    "transmitter frozen": FaultKind(frozenset({"transmitter_frozen"}), _frozen),
    "no number": FaultKind(frozenset({"transmitter_fault"}), _no_number),
    "off the span": FaultKind(frozenset({"transmitter_fault"}), _off_span),
    "tip uncovered": FaultKind(frozenset({"tip_uncovered"}), _uncovered),
}
