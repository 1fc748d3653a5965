"""Questions to the store, answered while the daemon writes: each on a short read of its own, never holding the log."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from datetime import date, datetime, tzinfo
from pathlib import Path
from types import TracebackType
from typing import Any, Self
from urllib.parse import quote

from lungfish.core.air_budget import KeptOpening, recent
from lungfish.core.clearing_tries import TryMoment
from lungfish.core.setup import Learned
from lungfish.errors import StoreError
from lungfish.ports import BaselineRequest, ClockState, Stamp, TracePoint, ZeroRecord
from lungfish.store.air import AIR_SUMS, day_bounds_utc_s
from lungfish.store.baselines import StoredBaseline, baseline_from_json, requests_in
from lungfish.store.clearings import tries_in
from lungfish.store.openings import openings_in
from lungfish.store.records import AirDay, AirUse, StoredEvent, StoredReading
from lungfish.store.rows import Intent, learned_from_json
from lungfish.store.schema import APPLICATION_ID, SCHEMA_VERSION
from lungfish.store.traces import TRACE_CODEC, decode_trace
from lungfish.store.zeros import zeros_in

__all__ = ["Archive"]

_PAGE_ROWS = 500
_BUSY_S = 5.0
_READING = (
    "id, boot_id, seq, utc_s, monotonic_s, clock, tank, level_m, level_u_m, head_pa, volume_m3, quality, diagnosis, "
    "purge_s, air_sl, config, evidence"
)
_EVENT = "id, boot_id, seq, utc_s, monotonic_s, clock, kind, tank, text"


class Archive:
    """Read-only view of a store."""

    def __init__(self, path: Path | str) -> None:
        """Open for reading.

        Args:
            path: the store's file.

        Raises:
            StoreError: not there, not a store of lungfish, from a newer one, or not readable.
        """
        self._path = Path(path)
        self._connection = _open_read_only(self._path)

    def close(self) -> None:
        """Let go of the file."""
        self._connection.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, exc: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def readings(
        self, tank: str | None = None, since: float | None = None, until: float | None = None
    ) -> Iterator[StoredReading]:
        """Readings by time, oldest first, as they stood when the first was asked for.

        Args:
            tank: only this one's; None for all.
            since: from this moment on, s since 1970 UTC.
            until: before this moment.

        Raises:
            StoreError: the store can't be read.
        """
        for row in self._pages("readings", _READING, tank, since, until):
            yield self._reading(row)

    def events(
        self, tank: str | None = None, since: float | None = None, until: float | None = None
    ) -> Iterator[StoredEvent]:
        """Events by time, oldest first; arguments and errors as for `readings`."""
        for row in self._pages("events", _EVENT, tank, since, until):
            yield _event(row)

    def last_reading(self, tank: str) -> StoredReading | None:
        """The latest kept of a tank, by the order of keeping; None when there is none."""
        rows = self._all(f"SELECT {_READING} FROM readings WHERE tank = ? ORDER BY id DESC LIMIT 1", (tank,))  # noqa: S608
        return self._reading(rows[0]) if rows else None

    def last_readings(self, tank: str, count: int) -> list[StoredReading]:
        """The latest so many of a tank, by the order of keeping, the newest first."""
        query = f"SELECT {_READING} FROM readings WHERE tank = ? ORDER BY id DESC LIMIT ?"  # noqa: S608 -- ours
        return [self._reading(row) for row in self._all(query, (tank, count))]

    def last_events(self, tank: str, count: int) -> list[StoredEvent]:
        """The latest so many events of a tank, by the order of keeping, the newest first."""
        query = f"SELECT {_EVENT} FROM events WHERE tank = ? ORDER BY id DESC LIMIT ?"  # noqa: S608 -- ours
        return [_event(row) for row in self._all(query, (tank, count))]

    def last_of_kind(self, kind: str, count: int) -> list[tuple[str, float]]:
        """The latest so many events of a kind, the newest first: what they say, and when, s since 1970 UTC."""
        query = "SELECT text, utc_s FROM events WHERE kind = ? ORDER BY id DESC LIMIT ?"
        return [(text, utc_s) for text, utc_s in self._all(query, (kind, count))]

    def trace(self, reading_id: int) -> tuple[TracePoint, ...]:
        """The trace of a reading; empty when it has none or retention has taken it.

        Raises:
            StoreError: unreadable, damaged, or in a form that only a newer lungfish knows.
        """
        rows = self._all("SELECT codec, packed FROM traces WHERE reading_id = ?", (reading_id,))
        if not rows:
            return ()
        codec, packed = rows[0]
        if codec != TRACE_CODEC:
            raise StoreError(f"the trace of reading {reading_id} is in form {codec}, this lungfish knows {TRACE_CODEC}")
        return decode_trace(packed)

    def air_since(self, utc_s: float, tank: str) -> AirUse:
        """Air used by a tank from a moment (s since 1970 UTC) on, such as the last local midnight."""
        (row,) = self._all(f"SELECT {AIR_SUMS} AND tank = ? AND utc_s >= ?", (tank, utc_s))
        return AirUse(air_sl=row[0], open_s=row[1], purges=row[2], unknown=row[3])

    def air_days(self) -> list[AirDay]:
        """The daily air ledger, oldest day first."""
        rows = self._all("SELECT day, tank, air_sl, open_s, purges, unknown FROM air_days ORDER BY day, tank", ())
        return [
            AirDay(day=day, tank=tank, use=AirUse(air_sl=air, open_s=open_s, purges=purges, unknown=unknown))
            for day, tank, air, open_s, purges, unknown in rows
        ]

    def air_of_day(self, day: date, zone: tzinfo) -> dict[str, AirUse]:
        """Air used on one local day, by tank; from the readings, or from the ledger where retention has taken them."""
        start_s, end_s = day_bounds_utc_s(day, zone)
        kept = self._all("SELECT tank, air_sl, open_s, purges, unknown FROM air_days WHERE day = ?", (day.isoformat(),))
        read = self._all(f"SELECT tank, {AIR_SUMS} AND utc_s >= ? AND utc_s < ? GROUP BY tank", (start_s, end_s))
        return {row[0]: AirUse(air_sl=row[1], open_s=row[2], purges=row[3], unknown=row[4]) for row in (*kept, *read)}

    def openings_ever(self, tank: str, zone: tzinfo) -> int:
        """How often a tank's valve was opened since the store was begun, by readings and ledger.

        Args:
            tank: its name.
            zone: the site's time zone.
        """
        opened = "FROM readings WHERE tank = ? AND (purge_s IS NULL OR purge_s > 0)"
        ((read, first_s),) = self._all(f"SELECT count(*), min(utc_s) {opened}", (tank,))
        before = "9999" if first_s is None else datetime.fromtimestamp(first_s, zone).date().isoformat()
        ((gone,),) = self._all(
            "SELECT coalesce(sum(purges), 0) FROM air_days WHERE tank = ? AND day < ?", (tank, before)
        )
        return int(read + gone)

    def span_utc_s(self, tank: str) -> tuple[float, float] | None:
        """When the first and the last reading of a tank were taken, s since 1970 UTC; None: there is none."""
        ((first_s, last_s),) = self._all("SELECT min(utc_s), max(utc_s) FROM readings WHERE tank = ?", (tank,))
        return None if first_s is None else (first_s, last_s)

    def intents(self) -> list[Intent]:
        """Openings announced and not yet followed by a reading, in the order of announcing."""
        rows = self._all("SELECT session, number, tank, boot_id, monotonic_s, utc_s, clock FROM intents", ())
        intents = [
            Intent(session=row[0], number=row[1], tank=row[2], at=_stamp(row[3], row[4], row[5], row[6]))
            for row in rows
        ]
        return sorted(intents, key=lambda intent: (intent.at.utc_s, intent.session, intent.number))

    def learned(self, tank: str, config: str | None = None) -> Learned | None:
        """What a tank's cycles have learned; None when nothing is kept.

        Args:
            tank: its name in the site file.
            config: hash of the settings; what was learned under others is not given. None takes any.
        """
        rows = self._all("SELECT config, state FROM learned WHERE tank = ?", (tank,))
        if not rows or (config is not None and rows[0][0] != config):
            return None
        return learned_from_json(rows[0][1])

    def baseline(self, tank: str) -> StoredBaseline | None:
        """A tank's baseline; None when nothing is kept or it is of another version."""
        rows = self._all("SELECT config, state FROM baselines WHERE tank = ?", (tank,))
        baseline = baseline_from_json(rows[0][1]) if rows else None
        return None if baseline is None else StoredBaseline(baseline=baseline, config=rows[0][0])

    def baseline_requests(self, tank: str) -> tuple[BaselineRequest, ...]:
        """Requests that wait for the process that holds the store."""
        try:
            return requests_in(self._connection, tank)
        except sqlite3.Error as exc:
            raise StoreError(f"{self._path}: can't be read: {exc}") from exc

    def clearing_tries(self, tank: str) -> tuple[Stamp, ...]:
        """When the latest tries to blow a tank's tube free began, the oldest first."""
        try:
            return tries_in(self._connection, tank)
        except sqlite3.Error as exc:
            raise StoreError(f"{self._path}: can't be read: {exc}") from exc

    def recent_openings(self, now: Stamp, within_s: float) -> list[tuple[KeptOpening, float]]:
        """Openings that may lie within a time before now, and how long ago each surely was, s.

        Args:
            now: now.
            within_s: how far back, s.
        """
        moment = TryMoment(boot_id=now.boot_id, monotonic_s=now.monotonic_s, utc_s=now.utc_s)
        synchronised = now.clock is ClockState.SYNCHRONISED
        try:
            with closing(openings_in(self._connection)) as kept:
                return recent(kept, moment, synchronised=synchronised, within_s=within_s)
        except sqlite3.Error as exc:
            raise StoreError(f"{self._path}: can't be read: {exc}") from exc

    def zeros(self, tank: str) -> tuple[ZeroRecord, ...]:
        """The latest looks at the zero of a tank's transmitter, the newest first."""
        try:
            return zeros_in(self._connection, tank)
        except (sqlite3.Error, ValueError) as exc:
            raise StoreError(f"{self._path}: can't be read: {exc}") from exc

    def _reading(self, row: tuple[Any, ...]) -> StoredReading:
        try:
            return _reading(row)
        except ValueError as exc:  # evidence that is no JSON, a state of the clock that is none: bytes have rotted
            raise StoreError(f"{self._path}: reading {row[0]} is damaged: {exc}") from exc

    def _pages(
        self, table: str, columns: str, tank: str | None, since: float | None, until: float | None
    ) -> Iterator[tuple[Any, ...]]:
        """Rows by time in pages: no read lasts longer than a page, so a slow consumer can't make the log grow."""
        # Table and columns are constants of ours.
        ((newest,),) = self._all(f"SELECT coalesce(max(id), 0) FROM {table}", ())  # noqa: S608
        low, high = (float("-inf") if since is None else since), (float("inf") if until is None else until)
        last_s, last_id = low, 0
        query = (
            f"SELECT {columns} FROM {table} WHERE utc_s >= :last_s AND (utc_s, id) > (:last_s, :last_id) "  # noqa: S608
            "AND utc_s < :high AND id <= :newest AND (:tank IS NULL OR tank = :tank) ORDER BY utc_s, id LIMIT :page"
        )
        while True:
            values = {"last_s": last_s, "last_id": last_id, "high": high, "newest": newest, "tank": tank}
            rows = self._all(query, {**values, "page": _PAGE_ROWS})
            yield from rows
            if len(rows) < _PAGE_ROWS:
                return
            last_id, last_s = rows[-1][0], rows[-1][3]

    def _all(self, query: str, values: tuple[Any, ...] | dict[str, object]) -> list[tuple[Any, ...]]:
        try:
            return self._connection.execute(query, values).fetchall()
        except sqlite3.Error as exc:
            raise StoreError(f"{self._path}: can't be read: {exc}") from exc


def _reading(row: tuple[Any, ...]) -> StoredReading:
    return StoredReading(
        id=row[0],
        seq=row[2],
        at=_stamp(row[1], row[4], row[3], row[5]),
        tank=row[6],
        level_m=row[7],
        level_u_m=row[8],
        head_pa=row[9],
        volume_m3=row[10],
        quality=row[11],
        diagnosis=row[12],
        purge_s=row[13],
        air_sl=row[14],
        config=row[15],
        evidence=json.loads(row[16]),
    )


def _event(row: tuple[Any, ...]) -> StoredEvent:
    return StoredEvent(
        id=row[0], seq=row[2], at=_stamp(row[1], row[4], row[3], row[5]), kind=row[6], tank=row[7], text=row[8]
    )


def _stamp(boot_id: str, monotonic_s: float, utc_s: float, clock: str) -> Stamp:
    return Stamp(boot_id=boot_id, monotonic_s=monotonic_s, utc_s=utc_s, clock=ClockState(clock))


def _open_read_only(path: Path) -> sqlite3.Connection:
    if not path.is_file():
        raise StoreError(f"{path}: there is no store yet; `lungfish run` makes it")
    try:
        try:
            connection = _connect(path, "mode=ro")
        except sqlite3.OperationalError:
            # A write-ahead log needs a writable directory even for reading. Without a log the file is all there is.
            log = path.with_name(path.name + "-wal")
            if log.exists() and log.stat().st_size:
                raise
            connection = _connect(path, "mode=ro&immutable=1")
    except (sqlite3.Error, OSError) as exc:
        raise StoreError(f"{path}: can't be read as a store of lungfish: {exc}") from exc
    (application,) = connection.execute("PRAGMA application_id").fetchone()
    (version,) = connection.execute("PRAGMA user_version").fetchone()
    if application == APPLICATION_ID and version == SCHEMA_VERSION:
        return connection
    connection.close()
    if application != APPLICATION_ID:
        raise StoreError(f"{path}: not a store of lungfish; look at store.path")
    if version > SCHEMA_VERSION:
        raise StoreError(f"{path}: of format {version}, this lungfish reads {SCHEMA_VERSION}: use the newer one")
    raise StoreError(f"{path}: of the older format {version}: `lungfish run` brings it up to date")


def _connect(path: Path, options: str) -> sqlite3.Connection:
    uri = f"file:{quote(str(path.resolve()))}?{options}"
    connection = sqlite3.connect(uri, uri=True, timeout=_BUSY_S, isolation_level=None, check_same_thread=False)
    try:
        connection.execute("SELECT count(*) FROM sqlite_schema").fetchone()
    except sqlite3.Error:
        connection.close()
        raise
    return connection
