"""Air and retention: sums over readings, the daily ledger that outlives them, and the removal of whole old days."""

from __future__ import annotations

import math
import sqlite3
from collections.abc import Mapping
from concurrent.futures import Future
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta, tzinfo

from lungfish.ports import EventRecord, Stamp
from lungfish.store.rows import EventItem, Numbering

__all__ = ["AIR_SUMS", "AirDayChore", "PruneChore", "Pruned", "day_bounds_utc_s"]

# A purge whose time or air is not known counts as one; what is known of it is not half of a sum.
AIR_SUMS = """
    coalesce(sum(air_sl), 0.0),
    coalesce(sum(CASE WHEN air_sl IS NOT NULL THEN purge_s END), 0.0),
    count(*),
    count(*) - count(purge_s + air_sl)
    FROM readings WHERE (purge_s IS NULL OR purge_s > 0)
"""
_PRUNE_ROWS = 200
_QUARTER_S = 900
# Old is what lies before the day by its clock and was kept before anything of that day: readings taken while the clock
# still stood at 1970 are not old. A clock that ran ahead of now proves nothing. The last of each boot holds its count.
_FIRST_KEPT = """
    coalesce((SELECT min(id) FROM readings WHERE utc_s BETWEEN :before AND :now), 9223372036854775807)
"""
_OLD_READINGS = f"""
    FROM readings WHERE utc_s < :before AND id < {_FIRST_KEPT}
    AND seq < (SELECT max(seq) FROM readings AS later WHERE later.boot_id = readings.boot_id)
"""  # noqa: S608 -- constants of ours
_OLD_TRACES = (
    "FROM readings JOIN traces ON reading_id = readings.id WHERE utc_s < :before AND readings.id < " + _FIRST_KEPT
)
_DELETE_READINGS = f"DELETE FROM readings WHERE id IN (SELECT id {_OLD_READINGS} LIMIT {_PRUNE_ROWS})"  # noqa: S608
_DELETE_TRACES = f"DELETE FROM traces WHERE reading_id IN (SELECT id {_OLD_TRACES} LIMIT {_PRUNE_ROWS})"  # noqa: S608


@dataclass(frozen=True, slots=True, kw_only=True)
class Pruned:
    """What retention has removed."""

    readings: int
    """Rows of readings."""
    traces: int
    """Traces, those of removed readings included."""


def day_bounds_utc_s(day: date, zone: tzinfo) -> tuple[float, float]:
    """From local midnight to the next, s since 1970 UTC; 23 or 25 hours where the clocks change.

    Args:
        day: local date.
        zone: the site's time zone.
    """
    start = datetime.combine(day, time(), tzinfo=zone)
    end = datetime.combine(day + timedelta(days=1), time(), tzinfo=zone)
    return start.timestamp(), end.timestamp()


class AirDayChore:
    """Fills one day of the ledger from its readings; a tank without any keeps the line that it has."""

    def __init__(self, day: date, zone: tzinfo, future: Future[bool]) -> None:
        self._day, self._zone, self._future = day, zone, future

    def step(self, connection: sqlite3.Connection, numbers: Mapping[str, Numbering]) -> bool:
        """Write the day's lines."""
        _write_air_day(connection, self._day, self._zone, again=True)
        return True

    def ended(self, *, done: bool) -> None:
        """Tell who waits."""
        self._future.set_result(done)


class PruneChore:
    """Removes whole old days.

    First it fills the ledger and leaves word of what it will remove, then it removes a little at a time; a death in
    between leaves the rest to the next one.
    """

    def __init__(
        self,
        at: Stamp,
        *,
        readings_before_s: float,
        traces_before_s: float,
        zone: tzinfo,
        future: Future[Pruned | None],
    ) -> None:
        self._at = at
        self._before_s = {"traces": max(traces_before_s, readings_before_s), "readings": readings_before_s}
        self._zone = zone
        self._future = future
        self._found: Pruned | None = None

    def step(self, connection: sqlite3.Connection, numbers: Mapping[str, Numbering]) -> bool:
        """Announce, else remove some rows."""
        if self._found is None:
            found = self._announce(connection, numbers)
            self._found = found
            return not (found.readings or found.traces)
        for what, before_s in self._before_s.items():
            connection.execute("INSERT INTO pruning VALUES (?, ?)", (what, before_s))
        gone = connection.execute(_DELETE_TRACES, self._values("traces")).rowcount
        if not gone:
            gone = connection.execute(_DELETE_READINGS, self._values("readings")).rowcount
        connection.execute("DELETE FROM pruning")
        return not gone

    def ended(self, *, done: bool) -> None:
        """Tell who waits."""
        self._future.set_result(self._found if done else None)

    def _announce(self, connection: sqlite3.Connection, numbers: Mapping[str, Numbering]) -> Pruned:
        (readings,) = connection.execute(f"SELECT count(*) {_OLD_READINGS}", self._values("readings")).fetchone()
        (traces,) = connection.execute(f"SELECT count(*) {_OLD_TRACES}", self._values("traces")).fetchone()
        for day in self._days(connection):
            _write_air_day(connection, day, self._zone, again=False)
        if readings or traces:
            counts = [f"{n} {what}{self._bound(what)}" for what, n in (("readings", readings), ("traces", traces))]
            text = "retention removes " + " and ".join(counts)
            EventItem.of(EventRecord(at=self._at, kind="retention", tank=None, text=text)).write(connection, numbers)
        return Pruned(readings=readings, traces=traces)

    def _days(self, connection: sqlite3.Connection) -> list[date]:
        """Local days of the readings that will go. Midnights stand on a quarter of an hour everywhere."""
        query = f"SELECT DISTINCT CAST(utc_s / {_QUARTER_S} AS INTEGER) {_OLD_READINGS}"
        quarters = connection.execute(query, self._values("readings"))
        return sorted({_local_day(quarter * _QUARTER_S, self._zone) for (quarter,) in quarters})

    def _bound(self, what: str) -> str:
        before_s = self._before_s[what]
        return f" before {_local_day(before_s, self._zone)}" if math.isfinite(before_s) else ""

    def _values(self, what: str) -> dict[str, float]:
        return {"before": self._before_s[what], "now": self._at.utc_s}


def _local_day(utc_s: float, zone: tzinfo) -> date:
    return datetime.fromtimestamp(utc_s, zone).date()


def _write_air_day(connection: sqlite3.Connection, day: date, zone: tzinfo, *, again: bool) -> None:
    start_s, end_s = day_bounds_utc_s(day, zone)
    conflict = "NOTHING"
    if again:
        columns = ("air_sl", "open_s", "purges", "unknown")
        conflict = "UPDATE SET " + ", ".join(f"{name} = excluded.{name}" for name in columns)
    connection.execute(
        f"INSERT INTO air_days SELECT ?, tank, {AIR_SUMS} AND utc_s >= ? AND utc_s < ? GROUP BY tank "
        f"ON CONFLICT (day, tank) DO {conflict}",
        (day.isoformat(), start_s, end_s),
    )
