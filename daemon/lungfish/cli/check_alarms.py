"""What `lungfish check` says of a tank's alarm limits."""

from __future__ import annotations

from collections.abc import Iterator

from lungfish.config.model import Tank

__all__ = ["alarm_rows"]

_MM_MIN = 60_000.0


def alarm_rows(tank: Tank) -> Iterator[tuple[str, str, str]]:
    """Rows of name, value and more; one that says so when there are no limits.

    Args:
        tank: the tank.
    """
    limits = tank.alarms
    levels = {
        "high-high": limits.high_high_m,
        "high": limits.high_m,
        "low": limits.low_m,
        "low-low": limits.low_low_m,
    }
    speeds = {"rising by": limits.rising_m_s, "falling by": limits.falling_m_s}
    rows = [(name, f"{level_m:.3f} m") for name, level_m in levels.items() if level_m is not None]
    rows += [(name, f"{_MM_MIN * speed:.4g} mm/min") for name, speed in speeds.items() if speed is not None]
    if not rows:
        yield "alarm limits", "none", "the file has no `alarms`"
        return
    yield "alarm limits", "for the watch", "they bring a reading at once; no alarm yet"
    for name, value in rows:
        yield f"  {name}", value, ""
    held = f"and {limits.delay_s:g} s for it" if limits.delay_s > 0.0 else ""
    yield "  deadband", f"{1000.0 * limits.deadband_m:g} mm", held
