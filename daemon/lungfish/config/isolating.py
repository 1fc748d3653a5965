"""`clear.isolate`, from its form to what it means, and whether line, tube and transmitter are safe with it."""

from __future__ import annotations

from lungfish.config.contacts import build_contact
from lungfish.config.document import KeyPath
from lungfish.config.isolate_form import IsolateForm
from lungfish.config.model import IsolateSpec, Tank
from lungfish.config.report import Report
from lungfish.config.valves import build_valve
from lungfish.core.room import SUPPLY_MARGIN
from lungfish.core.setup import CycleSetup

__all__ = ["build_isolate", "check_isolate"]


def build_isolate(path: KeyPath, form: IsolateForm | None, report: Report) -> IsolateSpec | None:
    """Settle an isolating valve.

    Args:
        path: of its section.
        form: the section; None when there is none.
        report: where findings go.
    """
    if form is None:
        return None
    if form.active == "low":
        report.error(
            (*path, "active"),
            "the valve would open without power and put whatever stands in the tube on the transmitter",
            "use a valve that is shut without power, and a coil that opens it when on",
        )
        return None
    valve = build_valve(path, form, report)
    shut = build_contact((*path, "shut"), form.shut, report)
    safe = build_contact((*path, "safe"), form.safe, report)
    if valve is None or shut is None or safe is None:
        return None
    return IsolateSpec(valve=valve, shut=shut, safe=safe)


def check_isolate(tank: Tank, setup: CycleSetup, limit_pa: float, report: Report) -> None:
    """Refuse a valve behind which line and tube could see more than they may; call one needless that is.

    Args:
        tank: the tank.
        setup: the tank as a blow-down sees it: with the air that blows.
        limit_pa: what the transmitter bears, Pa gauge.
        report: where findings go.
    """
    if tank.clear is None or tank.clear.isolate is None:
        return
    path: KeyPath = ("tanks", tank.name, "clear")
    most_pa = SUPPLY_MARGIN * setup.supply_gauge_pa
    if most_pa > tank.clear.pressure_gauge_pa:
        report.error(
            (*path, "pressure"),
            f"with the transmitter isolated nothing sees how far the tube's pressure rises: up to that of the supply, "
            f"{setup.supply_gauge_pa / 1000.0:.4g} kPa, and a tenth more; line and tube may see "
            f"{tank.clear.pressure_gauge_pa / 1000.0:.4g} kPa",
            f"write {most_pa / 1e5:.3g} bar or more if line and tube bear it, use a lower supply, or delete `isolate`",
        )
    elif most_pa <= limit_pa:
        report.warn(
            (*path, "isolate"),
            "the supply can't pass what the transmitter bears: it needs no isolating",
            "leave it out: each valve can stick",
        )
