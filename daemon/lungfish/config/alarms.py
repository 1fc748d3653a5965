"""`alarms`, from its form to what it means, and whether the limits can be told from one another and be reached."""

from __future__ import annotations

import dataclasses
from itertools import pairwise

from lungfish.config.alarm_form import AlarmsForm
from lungfish.config.alarm_model import AlarmLimits
from lungfish.config.document import KeyPath
from lungfish.config.model import Tank
from lungfish.config.report import Report

__all__ = ["with_alarms"]


def with_alarms(tank: Tank, form: AlarmsForm | None, report: Report) -> Tank:
    """A tank with its alarm limits.

    Args:
        tank: without them.
        form: its section `alarms`; None when there is none.
        report: where findings go.
    """
    if form is None:
        return tank
    path: KeyPath = ("tanks", tank.name, "alarms")
    for key, shown in (("deadband", f"{1000.0 * form.deadband:g} mm"), ("delay", f"{form.delay:g} s")):
        if key not in form.model_fields_set:
            report.assume((*path, key), shown)
    limits = AlarmLimits(
        high_high_m=form.high_high,
        high_m=form.high,
        low_m=form.low,
        low_low_m=form.low_low,
        rising_m_s=form.rising,
        falling_m_s=form.falling,
        deadband_m=form.deadband,
        delay_s=form.delay,
    )
    _check(path, tank, limits, report)
    return dataclasses.replace(tank, alarms=limits)


def _check(path: KeyPath, tank: Tank, limits: AlarmLimits, report: Report) -> None:
    named = {
        key: level_m
        for key, level_m in (
            ("low-low", limits.low_low_m),
            ("low", limits.low_m),
            ("high", limits.high_m),
            ("high-high", limits.high_high_m),
        )
        if level_m is not None
    }
    for key, level_m in named.items():
        if level_m > tank.vessel_height_m:
            report.error(
                (*path, key),
                f"{level_m:g} m lies above the brim at {tank.vessel_height_m:g} m, so no level reaches it",
                f"write a level below {tank.vessel_height_m:g} m above the tank floor",
            )
        elif level_m <= tank.tip_m:
            report.error(
                (*path, key),
                f"{level_m:g} m is not above the tip at {tank.tip_m:g} m, and no level below that can be read",
                f"write a level above {tank.tip_m:g} m, or hang the tube lower and change `tube.tip`",
            )
    for (below, below_m), (key, level_m) in pairwise(named.items()):
        if level_m <= below_m:
            report.error(
                (*path, key),
                f"{level_m:g} m does not lie above `{below}` at {below_m:g} m",
                "write low-low, low, high and high-high in rising order",
            )
        elif level_m - below_m <= 2.0 * limits.deadband_m and (below, key) == ("low", "high"):
            report.error(
                (*path, "deadband"),
                f"{1000.0 * limits.deadband_m:g} mm reaches from `low` to `high`, so that one could never end",
                f"write less than {500.0 * (level_m - below_m):g} mm",
            )
