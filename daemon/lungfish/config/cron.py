"""Five fields of crontab(5), made fit for the library that knows calendars, or refused."""

from __future__ import annotations

import math
import re
from datetime import UTC, datetime, timedelta
from typing import Final

__all__ = ["WEEKDAYS", "BadCron", "cron_fields", "least_gap_s", "weekdays"]

WEEKDAYS: Final = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
"""Monday first, as `datetime.weekday` counts."""
_FROM_SUNDAY: Final = ("sun", *WEEKDAYS[:6])
"""As crontab(5) counts: 0 is Sunday, and 7 as well."""
_ITEM: Final = re.compile(r"(\*|[a-z0-9]+)(?:-([a-z0-9]+))?(?:/([0-9]+))?")
_MOMENTS: Final = 90
"""More than the minutes of an hour: the closest two of a form are among its first."""
_LOOK_FROM: Final = datetime(2026, 1, 1, tzinfo=UTC)
"""Whether a moment ever comes does not depend on where the search begins."""


class BadCron(ValueError):
    """What is wrong, and what would be right."""

    def __init__(self, wrong: str, right: str) -> None:
        """Say both halves."""
        self.wrong, self.right = wrong, right
        super().__init__(wrong)


def weekdays(text: str, names: tuple[str, ...] = WEEKDAYS) -> frozenset[int]:
    """Weekdays from a list of days and ranges; a range may run over the end of the week.

    Args:
        text: such as `mon-fri` or `sat,sun`.
        names: the days in the order in which they are counted.

    Returns:
        Monday 0 to Sunday 6.

    Raises:
        BadCron: no such day.
    """
    found: set[int] = set()
    for item in text.lower().replace(" ", "").split(","):
        match = _ITEM.fullmatch(item)
        if match is None:
            raise BadCron(f"`{item[:20]}` is no day", "write days such as `mon-fri` or `sat,sun`")
        first, last, step = match.groups()
        if first == "*" or (names is _FROM_SUNDAY and (first, last) == ("0", "7")):
            days = list(names)
        else:
            begin, end = _day(first, names), _day(last, names) if last else None
            days = [begin]
            while end is not None and days[-1] != end:
                days.append(WEEKDAYS[(WEEKDAYS.index(days[-1]) + 1) % 7])
        found.update(WEEKDAYS.index(day) for day in days[:: int(step or 1) or 1])
    return frozenset(found)


def _day(word: str, names: tuple[str, ...]) -> str:
    if word in WEEKDAYS:
        return word
    if names is _FROM_SUNDAY and word.isdigit() and int(word) <= 7:
        return "sun" if word == "0" else WEEKDAYS[int(word) - 1]
    raise BadCron(f"`{word[:20]}` is no day", f"write one of {', '.join(WEEKDAYS)}")


def cron_fields(text: str) -> str:
    """Check a cron form, and put its weekdays into names: libraries number them differently.

    Args:
        text: minute, hour, day of the month, month, day of the week.

    Raises:
        BadCron: it can't be meant.
    """
    from apscheduler.triggers.cron import CronTrigger  # only a file with a cron form pays for loading it

    fields = text.split()
    if len(fields) != 5:
        raise BadCron(
            f"it has {len(fields)} field{'' if len(fields) == 1 else 's'}, not five",
            'write minute, hour, day of the month, month and day of the week, such as "0 */2 * * *"',
        )
    if fields[2] != "*" and fields[4] != "*":
        # crontab(5) would take either, the library both: nobody should have to know
        raise BadCron("both a day of the month and a day of the week are stated", "write `*` for one of them")
    if fields[4] != "*":
        days = weekdays(fields[4], _FROM_SUNDAY)
        fields[4] = ",".join(WEEKDAYS[day] for day in sorted(days))
    plain = " ".join(fields)
    try:
        comes = CronTrigger.from_crontab(plain, timezone=UTC).get_next_fire_time(None, _LOOK_FROM)
    except ValueError as error:
        raise BadCron(f"`{text[:40]}` can't be read ({error})", 'write five fields, such as "0 */2 * * *"') from None
    if comes is None:
        raise BadCron(f"`{text[:40]}` never comes", "write a day that exists")
    return plain


def least_gap_s(cron: str) -> float:
    """The shortest time between two moments of a sound cron form, of the first that come, s; infinite for a single one.

    Args:
        cron: as `cron_fields` gives it.
    """
    from apscheduler.triggers.cron import CronTrigger  # as above

    trigger = CronTrigger.from_crontab(cron, timezone=UTC)
    at, least_s = trigger.get_next_fire_time(None, _LOOK_FROM), math.inf
    for _ in range(_MOMENTS):
        following = trigger.get_next_fire_time(None, at + timedelta(seconds=1))
        if following is None:
            break
        least_s = min(least_s, (following - at).total_seconds())
        at = following
    return least_s
