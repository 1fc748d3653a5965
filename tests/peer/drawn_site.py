"""A site of tanks drawn at random, and plants that differ from its file by what the file itself allows."""

from __future__ import annotations

import dataclasses
import random
from collections.abc import Callable, Sequence

from lungfish.config import Site
from lungfish.rig.plant import Plant
from lungfish.rig.server import plant_for

__all__ = ["drawn_level", "drawn_plant", "drawn_text"]

_HEAD = """\
site: {{name: Thornhill works, timezone: Europe/Dublin, gravity: 9.8135 m/s**2, pressure: 101 kPa}}
store: {{path: thornhill.db}}
links:
  panel: {link}
air: {{supply: 3 bar, flow: 3 L/min, simultaneous: {tanks}}}
tanks:
"""
_TANK = """\
  tank-{k}:
    vented: true
    tolerates_air: true
    liquid: {{density: {density} kg/m**3, tolerance: 0.02 %}}
    vessel: {{shape: upright-cylinder, diameter: 2 m, height: 3 m}}
    tube: {{tip: 100 mm, bore: {bore} mm, length: 3 m, tip_tolerance: 1 mm}}
    line: {{bore: {line_bore} mm, length: {line} m, tee: {tee}}}
    transmitter: {{link: panel, unit: 1, table: {table}, register: {register}, format: {form}, reads_in: Pa,
                  span: [0 kPa, 50 kPa], accuracy: 10 Pa}}
    valve: {{link: panel, unit: 1, coil: {k}, max_open: 14 s}}
    every: 15 s
"""
_FORMS = (("float32", "input"), ("uint16", "input"), ("int32", "holding"), ("float64", "input"))


def drawn_text(
    rng: random.Random,
    link: str,
    tanks: int,
    *,
    bores_mm: tuple[float, float] = (5.0, 8.0),
    lines_m: tuple[float, float] = (2.0, 20.0),
    line_bores_mm: Sequence[float] = (4.5,),
) -> str:
    """A site file of tanks `tank-0`, `tank-1` and so on, of every format of a register and with either tee.

    Args:
        rng: what density, bore and line are drawn from.
        link: the panel's, as it stands in a site file.
        tanks: how many.
        bores_mm: least and greatest bore of the tubes, mm.
        lines_m: shortest and longest line, m.
        line_bores_mm: bores of the lines, taken in turn, mm.
    """
    text = _HEAD.format(link=link, tanks=tanks)
    for k in range(tanks):
        form, table = _FORMS[k % len(_FORMS)]
        text += _TANK.format(
            k=k,
            density=round(rng.uniform(950.0, 1150.0), 1),
            bore=round(rng.uniform(*bores_mm), 1),
            line=round(rng.uniform(*lines_m), 1),
            line_bore=line_bores_mm[k % len(line_bores_mm)],
            tee="valve-end" if k % 2 else "tube-end",
            table=table,
            register=4 * k,
            form=form,
        )
    return text


def drawn_level(rng: random.Random) -> Callable[[float], float]:
    """A level above the floor, m, as a function of time, s: it stands still, falls or rises, within the vessel."""
    start_m, rate_m_s = rng.uniform(0.6, 2.6), rng.choice((-0.3e-3, 0.0, 0.5e-3))
    return lambda t_s: min(2.9, max(0.2, start_m + rate_m_s * t_s))


def drawn_plant(site: Site, name: str, level: Callable[[float], float], rng: random.Random, seed: int) -> Plant:
    """A plant that differs from the site file by the tolerances that the file states."""
    as_stated = plant_for(site, site.tanks[name], level, seed).params
    weight = as_stated.density_kg_m3 * as_stated.gravity_m_s2
    params = dataclasses.replace(
        as_stated,
        density_kg_m3=as_stated.density_kg_m3 * (1.0 + rng.uniform(-2e-4, 2e-4)),
        tip_m=as_stated.tip_m + rng.uniform(-0.001, 0.001),
        flow_pa_m3_s=as_stated.flow_pa_m3_s * rng.uniform(0.98, 1.02),
        ripple_pa=rng.random() * as_stated.tube_bore_m * weight,
        noise_pa=rng.uniform(0.5, 10.0),
        damping_s=rng.uniform(0.05, 0.5),
        zero_pa=rng.uniform(-10.0, 10.0),
    )
    return Plant(params, seed)
