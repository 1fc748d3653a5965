"""Compressed air of a simulated plant: supply, restrictor, and the switches that could watch them."""

from __future__ import annotations

from lungfish.physics.restrictor import flow_factor
from lungfish.rig.faults import Faults
from lungfish.rig.parameters import PlantParameters

__all__ = ["Supply"]


class Supply:
    """What the valve can draw on."""

    def __init__(self) -> None:
        self.flow_pa_m3_s = 0.0
        """Throughput of the last step."""
        self._drawn_pa_m3 = 0.0

    def take(self, dt_s: float, flow_pa_m3_s: float, faults: Faults) -> None:
        """Note what flowed in a step."""
        self.flow_pa_m3_s = flow_pa_m3_s
        # an endless supply that ends finds its vessel full
        self._drawn_pa_m3 = self._drawn_pa_m3 + flow_pa_m3_s * dt_s if faults.supply_vessel_m3 > 0.0 else 0.0

    def gauge_pa(self, params: PlantParameters, faults: Faults, flow_pa_m3_s: float | None = None) -> float:
        """Supply pressure in front of the restrictor, Pa, at a flow; None for that of the last step."""
        if faults.air_lost:
            return 0.0
        flow = self.flow_pa_m3_s if flow_pa_m3_s is None else flow_pa_m3_s
        gauge_pa = params.supply_gauge_pa * faults.supply_factor - faults.supply_pa_s_m3 * flow
        if faults.supply_vessel_m3 > 0.0:
            gauge_pa -= self._drawn_pa_m3 / faults.supply_vessel_m3
        return max(0.0, gauge_pa)

    def throughput_pa_m3_s(
        self, params: PlantParameters, faults: Faults, valve_share: float, behind_gauge_pa: float
    ) -> float:
        """Flow through a restrictor whose choked flow is proportional to the absolute supply pressure (ISO 6358-1).

        Args:
            params: the plant.
            faults: what is wrong with it.
            valve_share: share of the flow that the valve lets through.
            behind_gauge_pa: pressure behind the valve, Pa gauge.
        """
        if faults.air_lost or valve_share <= 0.0:
            return 0.0
        outside_pa = params.atmosphere_abs_pa
        conductance = params.flow_pa_m3_s * faults.flow_factor * valve_share / (outside_pa + params.supply_gauge_pa)
        abs_pa = outside_pa + self.gauge_pa(params, faults, 0.0)
        factor = flow_factor((outside_pa + behind_gauge_pa) / abs_pa, params.critical_ratio)
        if faults.supply_pa_s_m3 <= 0.0:
            return conductance * abs_pa * factor
        soft_pa = abs_pa
        for _ in range(3):  # the supply gives way to the flow, which then is less
            soft_pa = abs_pa / (1.0 + faults.supply_pa_s_m3 * conductance * factor)
            factor = flow_factor((outside_pa + behind_gauge_pa) / soft_pa, params.critical_ratio)
        return conductance * soft_pa * factor
