"""Narrow places of a simulated plant: an orifice in tube or line, and what may sit at the tip."""

from __future__ import annotations

import math

from lungfish.physics.air import air_viscosity_pa_s
from lungfish.physics.constants import R_AIR_J_KG_K
from lungfish.physics.tube import bore_area_m2
from lungfish.rig.faults import Faults

__all__ = ["DISCHARGE_COEFFICIENT", "Narrowing", "Tip"]

DISCHARGE_COEFFICIENT = 0.62
"""Of a sharp-edged orifice, 0.60 to 0.65 at all but low Reynolds numbers (common practice; ISO 5167-2 about 0.6)."""

_ROUNDING_PA = 1e-3
"""What pressures may differ by that are the same."""


class Narrowing:
    """An orifice in a round bore, and a linear resistance beside it, in throughput pV.

    ``dp = rho/2 (Q / (Cd A))^2 (1 - s^2) / s^2`` with the share ``s`` of the area ``A`` that is free: the orifice
    equation of ISO 5167-1 with its velocity of approach, no drop at ``s`` = 1; the density is the mean of both sides,
    choking is left out. To it comes creeping flow through a thin round hole, ``dp = 3 mu Q / r^3`` (Sampson 1891, from
    memory). ``rho Q`` is throughput over ``R T``, so ``dp`` is ``(b G + a G^2) / p_abs`` for a throughput ``G``.

    Args:
        bore_m: bore where it sits, m.
        air_k: temperature of the air, K.
    """

    def __init__(self, bore_m: float, air_k: float) -> None:
        self._bore_m = bore_m
        self._air_k = air_k
        self._creeping = 0.0
        self._orifice = 0.0
        self._linear_pa_s_m3 = 0.0

    def set_free(self, area_share: float, linear_pa_s_m3: float = 0.0) -> None:
        """Set the share of the area that is free, and the linear resistance, Pa for each Pa m3/s.

        Raises:
            ValueError: Share not above 0 or beyond 1.
        """
        if not 0.0 < area_share <= 1.0:
            msg = f"a share of free area lies above 0 and reaches to 1, not {area_share:g}; a plug is another fault"
            raise ValueError(msg)
        self._linear_pa_s_m3 = linear_pa_s_m3
        self._creeping = self._orifice = 0.0
        if area_share < 1.0:
            hole_m = 0.5 * self._bore_m * math.sqrt(area_share)
            self._creeping = 3.0 * air_viscosity_pa_s(self._air_k) / hole_m**3
            area_m2 = DISCHARGE_COEFFICIENT * bore_area_m2(self._bore_m)
            self._orifice = (1.0 / area_share**2 - 1.0) / (2.0 * R_AIR_J_KG_K * self._air_k * area_m2**2)

    @property
    def is_free(self) -> bool:
        """Whether it costs no pressure at all."""
        return self._orifice == 0.0 and self._linear_pa_s_m3 == 0.0

    def relax(self, drop_pa: float, inflow_pa_m3_s: float, volume_m3: float, dt_s: float, abs_pa: float) -> float:
        """Drop after a step with a steady inflow into a volume that empties through here only.

        Exact for a linear resistance. For the orifice the way to the steady drop is an exponential whose slope is right
        at the start of the step.

        Args:
            drop_pa: drop at the start, Pa; negative for a flow back.
            inflow_pa_m3_s: throughput into the volume.
            volume_m3: the volume; 0 brings the steady drop at once.
            dt_s: length of the step, s.
            abs_pa: absolute pressure behind, Pa.
        """
        mean_abs_pa = abs_pa + 0.5 * drop_pa
        b = self._linear_pa_s_m3 + self._creeping / mean_abs_pa
        a = self._orifice / mean_abs_pa
        goal_pa = (b + a * abs(inflow_pa_m3_s)) * inflow_pa_m3_s
        root = b + math.sqrt(b * b + 4.0 * a * abs(drop_pa))
        flow = 2.0 * drop_pa / root if root > 0.0 else 0.0
        # (goal - drop) / (inflow - flow), the slope of the secant
        total = abs(inflow_pa_m3_s) + abs(flow)
        if inflow_pa_m3_s * flow < 0.0:
            total = (inflow_pa_m3_s**2 + flow**2) / total
        tau_s = volume_m3 * (b + a * total)
        return goal_pa + (drop_pa - goal_pa) * math.exp(-dt_s / tau_s) if tau_s > 0.0 else goal_pa


class Tip:
    """The lower end of the tube: narrowed, plugged, or under solids.

    Left out: a narrowing holds up air only; liquid passes it at once.
    """

    def __init__(self, faults: Faults, narrowing: Narrowing) -> None:
        self.faults = faults
        self._narrowing = narrowing
        self._solids_set_pa = 0.0
        self._solids_pa = 0.0
        self.has_yielded = False
        """Something gave way in the last step."""

    def closed(self, across_pa: float) -> bool:
        """Whether a plug holds against this differential pressure; one that is too weak breaks out."""
        faults = self.faults
        self.has_yielded = False
        if faults.plugged:
            return True
        if faults.plug_holds_pa <= 0.0:
            return False
        if abs(across_pa) <= faults.plug_holds_pa:
            return True
        faults.plug_holds_pa = 0.0
        faults.tip_area_share = min(faults.tip_area_share, faults.plug_left_share)
        self._narrowing.set_free(faults.tip_area_share, faults.tip_pa_s_m3)
        self.has_yielded = True
        return False

    def bears_pa(self) -> float:
        """Pressure above the head up to which nothing leaves, Pa."""
        if self.faults.plugged:
            return math.inf
        return max(self.faults.plug_holds_pa, self._solids_pa)

    def keeps_pa(self, before_pa: float, offered_pa: float, volume_m3: float, dt_s: float, abs_pa: float) -> float:
        """Pressure above the head that is left after a step.

        Args:
            before_pa: what it was at the start, Pa.
            offered_pa: what it would be had nothing left, Pa.
            volume_m3: the air that it drives out.
            dt_s: length of the step, s; 0 for a start at rest.
            abs_pa: absolute pressure outside the tip, Pa.
        """
        covered_pa = self._pass_solids(offered_pa, dt_s)
        if offered_pa <= covered_pa or self._narrowing.is_free or dt_s <= 0.0:
            return min(offered_pa, covered_pa)
        before_pa = max(0.0, before_pa - covered_pa)
        inflow = max(0.0, (offered_pa - covered_pa - before_pa) * volume_m3 / dt_s)
        left_pa = self._narrowing.relax(before_pa, inflow, volume_m3, dt_s, abs_pa)
        return min(offered_pa, covered_pa + left_pa)

    def _pass_solids(self, offered_pa: float, dt_s: float) -> float:
        """Pressure that the solids keep back; they give way to more, and settle while nothing leaves."""
        faults = self.faults
        if faults.solids_pa != self._solids_set_pa:
            self._solids_set_pa = self._solids_pa = faults.solids_pa
        if faults.solids_pa <= 0.0:
            return 0.0
        broken_pa = faults.solids_pa * (1.0 - faults.solids_break_share)
        if offered_pa > self._solids_pa + _ROUNDING_PA:
            self.has_yielded = self._solids_pa > broken_pa + 0.1 * (faults.solids_pa - broken_pa)
            self._solids_pa = broken_pa
        else:
            share = 1.0 - math.exp(-dt_s / faults.solids_rebuild_s)
            self._solids_pa += share * (faults.solids_pa - self._solids_pa)
        return self._solids_pa
