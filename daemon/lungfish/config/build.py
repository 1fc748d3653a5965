"""From the form, section by section, to frozen SI values; defaults are settled here and told."""

from __future__ import annotations

import math
import os
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from lungfish.config.budget import NO_LIMITS, build_budget, build_cost
from lungfish.config.document import KeyPath
from lungfish.config.form import (
    AirForm,
    LiquidForm,
    SiteForm,
    StoreForm,
    TankForm,
)
from lungfish.config.model import (
    AirSpec,
    LiquidSpec,
    Tank,
    Tee,
)
from lungfish.config.report import Report
from lungfish.config.transmitters import build_transmitter
from lungfish.config.valves import build_valve
from lungfish.config.vessels import vessel_of
from lungfish.physics.air import atmosphere_pa
from lungfish.physics.constants import STANDARD_ATMOSPHERE_PA, STANDARD_GRAVITY_M_S2, ZERO_CELSIUS_K
from lungfish.physics.gravity import local_gravity_m_s2
from lungfish.physics.liquid import DensityTable, water_density_kg_m3
from lungfish.physics.standard import ANR, ATM_20C, NORMAL, SCF_60F, SCF_68F, throughput_pa_m3_s

__all__ = ["Place", "build_air", "build_place", "build_store", "build_tank"]

_RECTANGULAR: Final = 1.0 / math.sqrt(3.0)  # half-width to standard uncertainty (JCGM 100:2008, 4.3.7)
_GRAVITY_SHARE: Final = 1e-4  # gravity anomalies, and what is stated, as a half-width (common practice)
_GRAVITY_UNKNOWN_SHARE: Final = 0.0027  # the conventional value against equator and poles

_REFERENCES: Final = {
    "20 degC 1 bar": ANR,
    "0 degC 1 atm": NORMAL,
    "20 degC 1 atm": ATM_20C,
    "60 degF 14.696 psi": SCF_60F,
    "68 degF 14.5 psi": SCF_68F,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """What the place does to every tank."""

    gravity_m_s2: float
    """Local gravity."""
    gravity_u_m_s2: float
    """Its standard uncertainty."""
    atmosphere_abs_pa: float
    """Usual atmospheric pressure."""


def build_place(form: SiteForm, report: Report) -> Place:
    """Settle gravity and atmosphere.

    Args:
        form: the section `site`.
        report: where findings go.
    """
    gravity, share = form.gravity, _GRAVITY_SHARE
    if gravity is not None and form.latitude is not None:
        report.error(("site", "gravity"), "there is a latitude as well", "keep one of `gravity` and `latitude`")
    if gravity is None and form.latitude is not None:
        if form.altitude is None:
            report.assume(("site", "altitude"), "0 m (sea level)")
        gravity = local_gravity_m_s2(math.degrees(form.latitude), form.altitude or 0.0)
    elif gravity is None:
        gravity, share = STANDARD_GRAVITY_M_S2, _GRAVITY_UNKNOWN_SHARE
        report.assume(("site", "gravity"), f"{gravity} m/s2 (conventional)")
        report.warn(
            ("site",),
            "neither `gravity` nor `latitude` is stated, and the conventional value can be 0.27 % off",
            f"add the latitude, such as `{'latitude: 52.3 deg'}`",
        )
    pressure = form.pressure
    if pressure is None:
        pressure = STANDARD_ATMOSPHERE_PA if form.altitude is None else atmosphere_pa(form.altitude)
        source = "standard atmosphere" if form.altitude is None else "standard atmosphere at the altitude"
        report.assume(("site", "pressure"), f"{pressure / 100.0:.1f} hPa ({source})")
    return Place(gravity_m_s2=gravity, gravity_u_m_s2=gravity * share * _RECTANGULAR, atmosphere_abs_pa=pressure)


def build_store(form: StoreForm, base: Path, report: Report) -> Path:
    """Settle where the store stands.

    Args:
        form: the section `store`.
        base: directory of the site file.
        report: where findings go.
    """
    path = Path(os.path.abspath(base / form.path))  # the daemon may change its directory
    if os.path.isdir(path):
        report.error(
            ("store", "path"), f"`{form.path}` is a directory", "name a file in it, such as `path: readings.db`"
        )
    elif not os.path.isdir(path.parent):
        report.error(
            ("store", "path"),
            f"there is no directory `{path.parent}`",
            "make it, or name a file in a directory that exists",
        )
    return path


def build_air(form: AirForm, report: Report) -> AirSpec:
    """Settle the compressed air.

    Args:
        form: the section `air`.
        report: where findings go.
    """
    reference = _REFERENCES[form.reference]
    for key, shown in (
        ("reference", form.reference),
        ("temperature", f"{form.temperature - ZERO_CELSIUS_K:.0f} degC"),
        ("critical_ratio", f"{form.critical_ratio:g} (common practice)"),
        ("simultaneous", str(form.simultaneous)),
    ):
        if key not in form.model_fields_set:
            report.assume(("air", key), shown)
    return AirSpec(
        supply_gauge_pa=form.supply,
        flow_m3_s=form.flow,
        reference=reference,
        flow_pa_m3_s=throughput_pa_m3_s(form.flow, reference, form.temperature),
        temperature_k=form.temperature,
        critical_ratio=form.critical_ratio,
        simultaneous=form.simultaneous,
        budget=build_budget(form.budget, NO_LIMITS),
        cost=build_cost(form),
    )


def build_tank(name: str, form: TankForm, place: Place, report: Report) -> Tank | None:
    """Settle one tank.

    Args:
        name: in the site file.
        form: the tank's section.
        place: gravity and atmosphere.
        report: where findings go.

    Returns:
        The tank, or None when an error stands in the way.
    """
    path: KeyPath = ("tanks", name)
    _statements(path, form, report)
    liquid = _liquid((*path, "liquid"), form.liquid, report)
    valve = build_valve((*path, "valve"), form.valve, report)
    transmitter = build_transmitter(
        (*path, "transmitter"), form.transmitter, form.tube.length, place.atmosphere_abs_pa, report
    )
    try:
        vessel = vessel_of(form.vessel)
    except ValueError as error:
        report.error((*path, "vessel"), str(error), "measure the vessel again; every size is an inside one")
        return None
    if liquid is None or valve is None or transmitter is None:
        return None
    if "tip_tolerance" not in form.tube.model_fields_set:
        report.assume((*path, "tube", "tip_tolerance"), f"{form.tube.tip_tolerance * 1000:g} mm (common practice)")
    if form.line is None:
        report.assume((*path, "line"), "none: the valve and the transmitter sit on the tube")
    return Tank(
        name=name,
        liquid=liquid,
        vessel=vessel,
        vessel_height_m=vessel.height_m,
        tip_m=form.tube.tip,
        tip_u_m=form.tube.tip_tolerance * _RECTANGULAR,
        tube_bore_m=form.tube.bore,
        tube_length_m=form.tube.length,
        line_bore_m=form.line.bore if form.line else form.tube.bore,
        line_length_m=form.line.length if form.line else 0.0,
        tee=Tee(form.line.tee) if form.line else Tee.TUBE_END,
        transmitter=transmitter,
        valve=valve,
        every_s=form.every,
    )


def _statements(path: KeyPath, form: TankForm, report: Report) -> None:
    if not form.vented:
        report.error(
            (*path, "vented"),
            "a tank that is not open to the air can't be measured with a dip tube: pressure above the liquid would "
            "read as level, and the purge air would raise it",
            "leave this tank out, or vent it and write `vented: true`",
        )
    if not form.tolerates_air:
        report.error(
            (*path, "tolerates_air"),
            "every reading blows air through the liquid",
            "leave this tank out unless the liquid may be aerated (no foaming over, no harm from oxygen, no explosive "
            "mixture); then write `tolerates_air: true`",
        )


def _liquid(path: KeyPath, form: LiquidForm, report: Report) -> LiquidSpec | None:
    needs = not isinstance(form.density, float)
    if needs and form.temperature is None:
        report.error(
            (*path, "temperature"), "is missing", "add the liquid's usual temperature, such as `temperature: 15 degC`"
        )
        return None
    if not needs and form.temperature is not None:
        report.error(
            (*path, "temperature"),
            "a stated density holds at any temperature",
            "delete it, or write `density: water` or a table of temperature and density",
        )
        return None
    if "tolerance" not in form.model_fields_set:
        report.assume((*path, "tolerance"), f"{form.tolerance * 100:g} % of the density")
    try:
        density = _density(form)
    except ValueError as error:
        report.error((*path, "density"), str(error), "state the density, or a table that holds the temperature")
        return None
    return LiquidSpec(
        density_kg_m3=density,
        density_u_kg_m3=density * form.tolerance * _RECTANGULAR,
        temperature_k=form.temperature,
    )


def _density(form: LiquidForm) -> float:
    if isinstance(form.density, float):
        return form.density
    temperature = form.temperature if form.temperature is not None else math.nan
    if form.density == "water":
        return water_density_kg_m3(temperature)
    rows = [row for row in form.density if not isinstance(row, str)]
    return DensityTable(tuple(row[0] for row in rows), tuple(row[1] for row in rows)).at(temperature)
