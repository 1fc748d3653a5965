"""The schedule of a tank, from its form to what it means, and whether purges fit between purges."""

from __future__ import annotations

import dataclasses
import re
from datetime import datetime
from typing import TYPE_CHECKING, Final
from zoneinfo import ZoneInfo

from lungfish.config.contacts import build_contact
from lungfish.config.cron import WEEKDAYS, BadCron, cron_fields, least_gap_s, weekdays
from lungfish.config.document import KeyPath
from lungfish.config.model import Tank
from lungfish.config.report import Report
from lungfish.config.schedule_form import FasterForm, HoldOffForm, OutOfServiceForm, ScheduleForm
from lungfish.config.schedule_model import FasterSpec, HoldOffSpec, OutOfServiceSpec, Schedule, WindowSpec

if TYPE_CHECKING:
    from lungfish.config.form import TankForm

__all__ = ["with_schedule"]

_TIME: Final = re.compile(r"([01]?[0-9]|2[0-4]):([0-5][0-9])")
_DAY_MIN: Final = 1440
_MINUTE: Final = "%Y-%m-%d %H:%M"


def with_schedule(tank: Tank, form: TankForm, timezone: str, stagger: float, report: Report) -> Tank:
    """A tank with its schedule.

    Args:
        tank: without it.
        form: its section.
        timezone: of the site, IANA name.
        stagger: share of an interval by which its slots are moved; 0: not.
        report: where findings go.
    """
    path: KeyPath = ("tanks", tank.name)
    windows, crons = [], []
    for number, entry in enumerate(form.schedule or ()):
        place: KeyPath = (*path, "schedule", number)
        if entry.cron is None:
            window = _window(place, entry, tank, report)
            windows += [window] if window is not None else []
        else:
            crons += _cron(place, entry, tank, report)
    schedule = Schedule(
        windows=tuple(windows),
        crons=tuple(crons),
        faster=_faster((*path, "faster"), form.faster, tank, report),
        hold_off=_hold_off((*path, "hold_off"), form.hold_off or {}, report),
        out_of_service=_out_of_service((*path, "out_of_service"), form.out_of_service, timezone, report),
        stagger=stagger,
    )
    return dataclasses.replace(tank, schedule=schedule)


def _cron(path: KeyPath, form: ScheduleForm, tank: Tank, report: Report) -> list[str]:
    others = sorted(form.model_fields_set - {"cron"})
    if others:
        key = "from" if others[0] == "from_" else others[0]
        report.error((*path, key), "stands beside `cron`", "write either hours or a `cron` form in one entry")
        return []
    try:
        cron = cron_fields(form.cron or "")
    except BadCron as error:
        report.error((*path, "cron"), error.wrong, error.right)
        return []
    gap_s, busy_s = least_gap_s(cron), _busy_s(tank)
    if gap_s <= busy_s:
        report.error(
            (*path, "cron"),
            f"it comes {gap_s:g} s after itself, while a purge{_with_check(tank)} may last {busy_s:g} s",
            "write moments further apart, or a shorter `max_open`",
        )
        return []
    return [cron]


def _window(path: KeyPath, form: ScheduleForm, tank: Tank, report: Report) -> WindowSpec | None:
    written = {"from": form.from_, "to": form.to, "every": form.every}
    examples = {"from": '"06:00"', "to": '"22:00"', "every": "5 min"}
    missing = [key for key, value in written.items() if value is None]
    for key in missing:
        if (*path, key) in report.document.refused:
            continue  # it stands there, and what is wrong with it is told already
        report.error((*path, key), "is missing", f"add `{key}: {examples[key]}`, or write a `cron` form instead")
    begin = _minutes((*path, "from"), form.from_, report)
    end = _minutes((*path, "to"), form.to, report)
    try:
        days = weekdays(form.days) if form.days is not None else frozenset(range(7))
    except BadCron as error:
        report.error((*path, "days"), error.wrong, error.right)
        return None
    if missing or begin is None or end is None or form.every is None:
        return None
    if begin in (_DAY_MIN, end):
        report.error((*path, "from"), "the hours have no length", 'write "00:00" and "24:00" for the whole day')
        return None
    if not _fits((*path, "every"), form.every, tank, report):
        return None
    named = "" if len(days) == 7 else f"{_named(days)} "
    return WindowSpec(
        from_min=begin,
        to_min=end if end > begin else end + _DAY_MIN,
        days=days,
        every_s=form.every,
        text=f"{named}{_clock(begin)} to {_clock(end)}",
    )


def _named(days: frozenset[int]) -> str:
    runs: list[list[int]] = []
    for day in sorted(days):
        if runs and runs[-1][-1] == day - 1:
            runs[-1].append(day)
        else:
            runs.append([day])
    return ",".join(WEEKDAYS[run[0]] + (f"-{WEEKDAYS[run[-1]]}" if len(run) > 1 else "") for run in runs)


def _clock(minutes: int) -> str:
    return f"{minutes // 60:02d}:{minutes % 60:02d}"


def _minutes(path: KeyPath, text: str | None, report: Report) -> int | None:
    if text is None:
        return None
    match = _TIME.fullmatch(text)
    minutes = 60 * int(match[1]) + int(match[2]) if match else _DAY_MIN + 1
    if minutes > _DAY_MIN:
        report.error(path, f"`{text[:20]}` is no time of the day", 'write hours and minutes in quotes, such as "06:00"')
        return None
    return minutes


def _fits(path: KeyPath, every_s: float, tank: Tank, report: Report) -> bool:
    if every_s >= tank.every_s:
        report.error(
            path,
            f"{every_s:g} s is not shorter than the tank's own `every`, {tank.every_s:g} s, which holds at all times",
            "write a shorter one here, or a longer `every` of the tank",
        )
        return False
    busy_s = _busy_s(tank)
    if every_s <= busy_s:
        report.error(
            path,
            f"the next purge would be due after {every_s:g} s, while one{_with_check(tank)} may last {busy_s:g} s",
            f"write more than {busy_s:g} s, or a shorter `max_open`",
        )
        return False
    return True


def _busy_s(tank: Tank) -> float:
    """How long a purge may last, with the zero check that may follow it."""
    return tank.valve.max_open_s + (tank.vent_valve.max_open_s if tank.vent_valve is not None else 0.0)


def _with_check(tank: Tank) -> str:
    return "" if tank.vent_valve is None else " with its zero check"


def _faster(path: KeyPath, form: FasterForm | None, tank: Tank, report: Report) -> FasterSpec | None:
    if form is None or not _fits((*path, "every"), form.every, tank, report):
        return None
    if form.moving is None and form.near is None:
        if not {(*path, "moving"), (*path, "near")} & set(report.document.refused):
            report.error(path, "says nothing of when", "add `moving: 100 mm/h`, or `near: 200 mm` beside `alarms`")
        return None
    if form.near is not None and not tank.alarms.levels_m:
        report.error(
            (*path, "near"),
            "has no alarm level to be near to",
            "add `alarms: {high: 3.8 m}` to the tank, or leave it out",
        )
        return None
    return FasterSpec(every_s=form.every, moving_m_s=form.moving, near_m=form.near)


def _hold_off(path: KeyPath, forms: dict[str, HoldOffForm], report: Report) -> tuple[HoldOffSpec, ...]:
    found = []
    for name, form in forms.items():
        contact = build_contact((*path, name), form, report)
        if contact is None:
            continue
        if "at_most" not in form.model_fields_set:
            report.assume((*path, name, "at_most"), f"{form.at_most / 60.0:g} min")
        found.append(HoldOffSpec(name=name, switch=contact, at_most_s=form.at_most))
    return tuple(found)


def _out_of_service(
    path: KeyPath, form: OutOfServiceForm | None, timezone: str, report: Report
) -> OutOfServiceSpec | None:
    if form is None:
        return None
    try:
        until = datetime.strptime(form.until.replace("T", " "), _MINUTE).replace(tzinfo=ZoneInfo(timezone))
    except ValueError:
        right = 'write local date and time in quotes, such as "2026-12-01 08:00"'
        report.error((*path, "until"), f"`{form.until[:30]}` is no date with a time", right)
        return None
    if not form.reason.isprintable():
        report.error((*path, "reason"), "the text is not printable on one line", "write it without special characters")
        return None
    return OutOfServiceSpec(reason=form.reason, until_utc_s=until.timestamp(), until=f"{until:{_MINUTE} %Z}")
