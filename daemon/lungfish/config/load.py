"""A site file to a `Site`, or to every problem in it at once."""

from __future__ import annotations

import difflib
import gc
from collections.abc import Mapping
from pathlib import Path
from typing import Any, TypeVar

from pydantic import ValidationError

from lungfish import units
from lungfish.config.addresses import check_addresses
from lungfish.config.agreement import check_air_share, check_tank
from lungfish.config.alarms import with_alarms
from lungfish.config.budget import check_budgets, with_budget
from lungfish.config.build import Place, build_air, build_place, build_store, build_tank
from lungfish.config.clearing import check_clear, with_clear
from lungfish.config.cycle import setup_of
from lungfish.config.document import MAX_BYTES, Unreadable, read_document
from lungfish.config.form import AirForm, SiteFileForm, SiteForm, StoreForm, TankForm
from lungfish.config.input_forms import SiteInputsForm
from lungfish.config.inputs import build_supply, with_inputs
from lungfish.config.links import build_link, check_links, link_forms
from lungfish.config.messages import form_problems
from lungfish.config.model import AirSpec, Site, Tank
from lungfish.config.report import Report
from lungfish.config.scheduling import with_schedule
from lungfish.config.sections import Section
from lungfish.config.venting import with_vent
from lungfish.config.watching import with_watch
from lungfish.errors import ConfigError, Problem

__all__ = ["find_tank", "forget_reading", "load_site", "load_site_text"]

_Form = TypeVar("_Form", bound=Section)


def load_site(path: Path | str) -> Site:
    """Read a site file.

    Args:
        path: the file.

    Returns:
        The site, in SI, checked.

    Raises:
        ConfigError: with every problem found.
    """
    path = Path(path)
    try:
        with path.open("rb") as file:
            content = file.read(MAX_BYTES + 1)
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        problem = Problem(None, "", f"can't be read ({reason})", "give the path of a site file that you may read")
        raise ConfigError(str(path), [problem]) from None
    return load_site_text(content, path.parent, name=str(path))


def forget_reading() -> None:
    """Let go of what only reading a site file needs, half a megabyte of it; a later reading builds it anew.

    For a daemon, which reads its file once and then runs for years on a small computer.
    """
    units.forget()
    Section.forget()
    gc.collect()


def load_site_text(text: str | bytes, base: Path, *, name: str = "site file") -> Site:
    """Read a site file's text.

    Args:
        text: the text, or its bytes.
        base: directory that relative paths in it start from.
        name: what to call the file in messages.

    Returns:
        The site, in SI, checked.

    Raises:
        ConfigError: with every problem found.
    """
    try:
        document = read_document(text if isinstance(text, bytes) else text.encode("utf-8", "surrogatepass"))
    except Unreadable as error:
        raise ConfigError(name, [error.problem]) from None
    report = Report(document, errors=list(document.problems))
    Section.recall()
    try:
        SiteFileForm.model_validate(document.data)
    except ValidationError as error:
        report.errors.extend(form_problems(error, document))
    site = _understood(document.data, base, report)
    if report.errors or site is None:
        raise ConfigError(name, _in_order(report.errors))
    return site


def _understood(data: Mapping[str, Any], base: Path, report: Report) -> Site | None:
    """Whatever sections are sound in themselves are understood, so that what contradicts them is told as well."""
    site, store, air = (
        _sound(SiteForm, data.get("site")),
        _sound(StoreForm, data.get("store")),
        _sound(AirForm, data.get("air")),
    )
    store_path = build_store(store, base, report) if store else None
    links = {
        name: build_link(name, form, base, report) if form else None for name, form in link_forms(data.get("links"))
    }
    check_links(links, report)
    air_spec = build_air(air, report) if air else None
    place = build_place(site, report) if site else None
    if place is None:
        return None
    inputs = _sound(SiteInputsForm, data.get("inputs"))
    supply = build_supply(("inputs", "supply"), inputs.supply, report) if inputs else None
    tanks: dict[str, Tank] = {}
    forms = _named(TankForm, data.get("tanks"))
    spread = air is not None and air.stagger and len(forms) > 1
    stagger = {name: (number + 1) / len(forms) if spread else 0.0 for number, (name, _) in enumerate(forms)}
    for name, form in forms:
        tank = build_tank(name, form, place, report) if form else None
        if form is not None and tank is not None:
            tank = with_vent(with_inputs(tank, form.inputs, supply, report), form.transmitter.vent, report)
            tank = with_alarms(with_watch(tank, form.watch, report), form.alarms, report)
            tank = with_schedule(tank, form, site.timezone if site else "UTC", stagger[name], report)
            tanks[name] = with_budget(with_clear(tank, form.clear, links, air_spec, report), form.budget)
    check_addresses(links, tanks, report, supply)
    if air_spec is None:
        return None
    _check_physics(tanks, air_spec, place, report)
    whole_links = {name: link for name, link in links.items() if link is not None}
    if site is None or store_path is None or not tanks or not whole_links:
        return None
    return Site(
        name=site.name,
        timezone=site.timezone,
        gravity_m_s2=place.gravity_m_s2,
        gravity_u_m_s2=place.gravity_u_m_s2,
        atmosphere_abs_pa=place.atmosphere_abs_pa,
        store_path=store_path,
        links=whole_links,
        air=air_spec,
        tanks=tanks,
        warnings=tuple(_in_order(report.warnings)),
        defaults=tuple(report.assumed),
    )


def _check_physics(tanks: Mapping[str, Tank], air: AirSpec, place: Place, report: Report) -> None:
    setups = {}
    for name, tank in tanks.items():
        if tank.tip_m >= tank.vessel_height_m:
            report.error(
                ("tanks", name, "tube", "tip"),
                f"the tip at {tank.tip_m:g} m is not inside the vessel, which is {tank.vessel_height_m:g} m high",
                f"write a height below {tank.vessel_height_m:g} m above the tank floor",
            )
            continue
        setups[name] = setup_of(
            tank,
            air,
            gravity_m_s2=place.gravity_m_s2,
            gravity_u_m_s2=place.gravity_u_m_s2,
            atmosphere_abs_pa=place.atmosphere_abs_pa,
        )
        check_tank(tank, setups[name], report)
        check_clear(tank, setups[name], report)
    check_air_share(tanks, setups, air.simultaneous, report)
    check_budgets(tanks, setups, air, report)


def _sound(form: type[_Form], data: object) -> _Form | None:
    try:
        return form.model_validate(data)
    except ValidationError:
        return None  # told already, from the form as a whole


def _named(form: type[_Form], data: object) -> list[tuple[str, _Form | None]]:
    return [(name, _sound(form, section)) for name, section in data.items()] if isinstance(data, dict) else []


def _in_order(problems: list[Problem]) -> list[Problem]:
    return sorted(dict.fromkeys(problems), key=lambda problem: problem.line or 0)


def find_tank(site: Site, name: str) -> Tank:
    """The tank with a name.

    Args:
        site: where to look.
        name: as typed by a person.

    Raises:
        ConfigError: no such tank; says which there are.
    """
    tank = site.tanks.get(name)
    if tank is not None:
        return tank
    close = difflib.get_close_matches(name, site.tanks, n=1)
    known = ", ".join(f"`{known}`" for known in site.tanks)
    right = f"did you mean `{close[0]}`? There are {known}" if close else f"write one of {known}"
    raise ConfigError(site.name, [Problem(None, "tanks", f"there is no tank `{name}`", right)])
