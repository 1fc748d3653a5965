"""Air trapped in the dip tube and its line: what it holds, what filling it costs, how fast that goes.

Quasi-static and isothermal: the liquid follows the pressure at once. Gauge pressures here are those of the
gas at the liquid's surface in the tube; the weight of the gas between there and the transmitter is in
`column`. An amount of gas is carried as its pV (Pa m3) at the temperature of the tube.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

__all__ = ["AirSpace", "bore_area_m2", "pipe_volume_m3"]


def bore_area_m2(bore_m: float) -> float:
    """Area of a round bore.

    Args:
        bore_m: Inside diameter, m.

    Returns:
        Area, m2.
    """
    return math.pi * bore_m * bore_m / 4.0


def pipe_volume_m3(bore_m: float, length_m: float) -> float:
    """Volume inside a round pipe.

    Args:
        bore_m: Inside diameter, m.
        length_m: Length, m.

    Returns:
        Volume, m3.
    """
    return bore_area_m2(bore_m) * length_m


@dataclass(frozen=True, slots=True)
class AirSpace:
    """The space that the purge air fills, from the valve down to the tip.

    Raises:
        ValueError: Volume or area not above zero.
    """

    volume_m3: float
    """Volume of tube and line down to the tip, liquid-free, m3."""
    area_m2: float
    """Bore area of the dip tube, m2."""

    def __post_init__(self) -> None:
        """Refuse a space that cannot hold air."""
        if not (0.0 < self.volume_m3 < math.inf and 0.0 < self.area_m2 < math.inf):
            msg = f"an air space needs volume and area above zero: {self.volume_m3:g} m3, {self.area_m2:g} m2"
            raise ValueError(msg)

    def air_volume_m3(self, rise_m: float) -> float:
        """Volume left to the air when liquid stands in the tube.

        Args:
            rise_m: Liquid in the tube above the tip, m.

        Returns:
            Volume, m3; never below zero.
        """
        return max(self.volume_m3 - self.area_m2 * rise_m, 0.0)

    def stored_pv_pa_m3(
        self, gauge_pa: float, head_m: float, *, density_kg_m3: float, gravity_m_s2: float, atmosphere_pa: float
    ) -> float:
        """Air now in the tube, from its pressure and the head outside.

        Args:
            gauge_pa: Gauge pressure of the air in the tube, Pa.
            head_m: Liquid above the tip outside the tube, m.
            density_kg_m3: Density of the liquid, kg/m3.
            gravity_m_s2: Local gravity, m/s2.
            atmosphere_pa: Absolute pressure on the liquid outside, Pa.

        Returns:
            pV of the air, Pa m3. A pressure above the head means a cleared tube that is still blowing.
        """
        rise = max(head_m - gauge_pa / (density_kg_m3 * gravity_m_s2), 0.0) if head_m > 0.0 else 0.0
        return (atmosphere_pa + gauge_pa) * self.air_volume_m3(rise)

    def surface_rise_m(
        self, pv_pa_m3: float, head_m: float, *, density_kg_m3: float, gravity_m_s2: float, atmosphere_pa: float
    ) -> float:
        """Liquid standing in the tube, from the air it holds and the head outside.

        Solves ``(p_atm + rho g (h - z)) (V - A z) = pV`` for z: Boyle's law with the liquid as piston.

        Args:
            pv_pa_m3: pV of the air in the tube, Pa m3; zero or more.
            head_m: Liquid above the tip outside the tube, m.
            density_kg_m3: Density of the liquid, kg/m3.
            gravity_m_s2: Local gravity, m/s2.
            atmosphere_pa: Absolute pressure on the liquid outside, Pa.

        Returns:
            Rise above the tip, m; 0 when there is more air than the tube holds (the rest bubbles out) and
            when the tip hangs in air.

        Raises:
            ValueError: The amount of air is negative or no number.
        """
        if not pv_pa_m3 >= 0.0:
            msg = f"the amount of air must not be negative: {pv_pa_m3:g} Pa m3"
            raise ValueError(msg)
        if head_m <= 0.0:
            return 0.0
        weight = density_kg_m3 * gravity_m_s2
        tip_pa = atmosphere_pa + weight * head_m
        missing = tip_pa * self.volume_m3 - pv_pa_m3
        if missing <= 0.0:
            return 0.0
        b = weight * self.volume_m3 + tip_pa * self.area_m2
        # b^2 - 4 rho g A missing, written as a sum so that nothing cancels
        root = math.sqrt(
            (weight * self.volume_m3 - tip_pa * self.area_m2) ** 2 + 4.0 * weight * self.area_m2 * pv_pa_m3
        )
        return 2.0 * missing / (b + root)

    def trapped_gauge_pa(
        self, pv_pa_m3: float, head_m: float, *, density_kg_m3: float, gravity_m_s2: float, atmosphere_pa: float
    ) -> float:
        """Gauge pressure of the trapped air, from its amount and the head outside.

        Args:
            pv_pa_m3: pV of the air in the tube, Pa m3; zero or more.
            head_m: Liquid above the tip outside the tube, m.
            density_kg_m3: Density of the liquid, kg/m3.
            gravity_m_s2: Local gravity, m/s2.
            atmosphere_pa: Absolute pressure on the liquid outside, Pa.

        Returns:
            Gauge pressure, Pa: ``rho g (h - z)``; 0 when the tip hangs in air.

        Raises:
            ValueError: The amount of air is negative or no number.
        """
        rise = self.surface_rise_m(
            pv_pa_m3,
            head_m,
            density_kg_m3=density_kg_m3,
            gravity_m_s2=gravity_m_s2,
            atmosphere_pa=atmosphere_pa,
        )
        return density_kg_m3 * gravity_m_s2 * (max(head_m, 0.0) - rise)

    def least_air_pa_m3(
        self, now_gauge_pa: float, head_m: float, *, density_kg_m3: float, gravity_m_s2: float, atmosphere_pa: float
    ) -> float:
        """Least air that a reading can cost: what pushes the liquid from where it stands to the tip.

        ``p_tip V - p_now V_now`` (Boyle's law).

        Args:
            now_gauge_pa: Gauge pressure of the air in the tube before the purge, Pa.
            head_m: Liquid above the tip outside the tube, m.
            density_kg_m3: Density of the liquid, kg/m3.
            gravity_m_s2: Local gravity, m/s2.
            atmosphere_pa: Absolute pressure on the liquid outside, Pa.

        Returns:
            pV of the air, Pa m3; 0 when the tube is clear already.
        """
        now = self.stored_pv_pa_m3(
            now_gauge_pa,
            head_m,
            density_kg_m3=density_kg_m3,
            gravity_m_s2=gravity_m_s2,
            atmosphere_pa=atmosphere_pa,
        )
        tip_pa = atmosphere_pa + density_kg_m3 * gravity_m_s2 * max(head_m, 0.0)
        return max(tip_pa * self.volume_m3 - now, 0.0)

    def fill_slope_pa_s(
        self, throughput_pa_m3_s: float, abs_pa: float, rise_m: float, *, density_kg_m3: float, gravity_m_s2: float
    ) -> float:
        """Rate at which the pressure climbs while the tube is being cleared.

        ``Q / ((V - A z) + p A / (rho g))``: the flow compresses the air and pushes the liquid down as well.

        Args:
            throughput_pa_m3_s: Air let in, Pa m3/s.
            abs_pa: Absolute pressure of the air in the tube, Pa.
            rise_m: Liquid in the tube above the tip, m.
            density_kg_m3: Density of the liquid, kg/m3.
            gravity_m_s2: Local gravity, m/s2.

        Returns:
            Slope, Pa/s. With a tip that is shut it would be `rigid_fill_slope_pa_s`.
        """
        yielding = abs_pa * self.area_m2 / (density_kg_m3 * gravity_m_s2)
        return throughput_pa_m3_s / (self.air_volume_m3(rise_m) + yielding)

    def rigid_fill_slope_pa_s(self, throughput_pa_m3_s: float) -> float:
        """Rate at which the pressure climbs with the tip shut and no liquid in the tube, ``Q / V``.

        Args:
            throughput_pa_m3_s: Air let in, Pa m3/s.

        Returns:
            Slope, Pa/s.
        """
        return throughput_pa_m3_s / self.volume_m3

    def fill_time_s(
        self,
        throughput_pa_m3_s: float,
        now_gauge_pa: float,
        head_m: float,
        *,
        density_kg_m3: float,
        gravity_m_s2: float,
        atmosphere_pa: float,
    ) -> float:
        """Time from opening the valve to the first bubble, at a constant throughput.

        Args:
            throughput_pa_m3_s: Air let in, Pa m3/s; zero or more.
            now_gauge_pa: Gauge pressure of the air in the tube before the purge, Pa.
            head_m: Liquid above the tip outside the tube, m.
            density_kg_m3: Density of the liquid, kg/m3.
            gravity_m_s2: Local gravity, m/s2.
            atmosphere_pa: Absolute pressure on the liquid outside, Pa.

        Returns:
            Time, s; infinite when air is needed and none flows.

        Raises:
            ValueError: Throughput negative or no number.
        """
        if not throughput_pa_m3_s >= 0.0:
            msg = f"throughput must not be negative: {throughput_pa_m3_s:g} Pa m3/s"
            raise ValueError(msg)
        need = self.least_air_pa_m3(
            now_gauge_pa,
            head_m,
            density_kg_m3=density_kg_m3,
            gravity_m_s2=gravity_m_s2,
            atmosphere_pa=atmosphere_pa,
        )
        if need == 0.0:
            return 0.0
        return need / throughput_pa_m3_s if throughput_pa_m3_s > 0.0 else math.inf

    def head_change_factor(self, abs_pa: float, rise_m: float, *, density_kg_m3: float, gravity_m_s2: float) -> float:
        """Change of head for each change of trapped pressure, the level rising and the valve shut.

        ``d(rho g h) / dp = 1 + rho g (V - A z) / (A p)``: rising liquid compresses the air as well (Boyle's law).

        Args:
            abs_pa: Absolute pressure of the trapped air, Pa; above zero.
            rise_m: Liquid in the tube above the tip, m.
            density_kg_m3: Density of the liquid, kg/m3.
            gravity_m_s2: Local gravity, m/s2.

        Returns:
            Factor, 1; never below 1.
        """
        return 1.0 + density_kg_m3 * gravity_m_s2 * self.air_volume_m3(rise_m) / (self.area_m2 * abs_pa)

    def temperature_shift_pa(
        self,
        change_k: float,
        *,
        temperature_k: float,
        abs_pa: float,
        rise_m: float,
        density_kg_m3: float,
        gravity_m_s2: float,
    ) -> float:
        """Change of trapped pressure when the air is cooled, the level standing still.

        ``dp = (dT / T) V / (V / p + A / (rho g))`` (ideal gas with the liquid as piston), first order. Air that
        is warmed in a cleared tube bubbles out instead and the pressure stays.

        Args:
            change_k: Change of the air's temperature, K; below zero for cooling.
            temperature_k: Temperature before, K.
            abs_pa: Absolute pressure of the trapped air, Pa.
            rise_m: Liquid in the tube above the tip, m.
            density_kg_m3: Density of the liquid, kg/m3.
            gravity_m_s2: Local gravity, m/s2.

        Returns:
            Change of pressure, Pa.
        """
        volume = self.air_volume_m3(rise_m)
        yielding = volume / abs_pa + self.area_m2 / (density_kg_m3 * gravity_m_s2)
        return change_k / temperature_k * volume / yielding
