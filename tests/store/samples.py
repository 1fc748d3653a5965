"""Records to put into a store, and a connection that fails when told to."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from lungfish.core.reading import Phase
from lungfish.ports import ClockState, EventRecord, ReadingRecord, Stamp, TracePoint
from lungfish.store import Archive

BOOT = "7d1f6c1e-0000-4000-8000-000000000001"
START_UTC_S = 1_772_000_000.0
NEVER = (1e6, 1e6)
"""Pauses between tries: only `flush` makes the store try again."""


def stamp(after_s: float = 0.0, *, boot_id: str = BOOT, utc_s: float | None = None) -> Stamp:
    """A moment, some seconds after the first."""
    return Stamp(
        boot_id=boot_id,
        monotonic_s=1000.0 + after_s,
        utc_s=START_UTC_S + after_s if utc_s is None else utc_s,
        clock=ClockState.SYNCHRONISED,
    )


TRACE = (
    TracePoint(0.0, 212.5, Phase.LOOK),
    TracePoint(0.1013, 9814.25, Phase.FILL),
    TracePoint(0.2004, 19_640.0, Phase.HOLD),
    TracePoint(0.2991, 19_601.0, Phase.SHUT_IN),
)


def reading(after_s: float = 0.0, tank: str = "sump", **changes: object) -> ReadingRecord:
    """A good reading; `changes` replace its fields."""
    values: dict[str, Any] = {
        "tank": tank,
        "at": stamp(after_s),
        "level_m": 2.5 + after_s / 1e6,
        "level_u_m": 0.004,
        "head_pa": 23_500.5,
        "volume_m3": 11.25,
        "quality": "good",
        "diagnosis": "ok",
        "purge_s": 7.5,
        "air_sl": 0.1875,
        "evidence": {"features": {"plateau_pa": 23_512.0}, "sentences": ["steady within 2 Pa"]},
        "trace": TRACE,
    }
    return ReadingRecord(**{**values, **changes})


def event(after_s: float = 0.0, text: str = "the daemon has started") -> EventRecord:
    """An event."""
    return EventRecord(at=stamp(after_s), kind="start", tank=None, text=text)


@dataclass
class FaultPlan:
    """Which call to SQLite fails, and how."""

    nth: int = 0
    """The call, counted from 1; 0: none."""
    code: int = sqlite3.SQLITE_FULL
    """Extended result code."""
    after: bool = False
    """The call is carried out and fails all the same: a commit in doubt."""
    lasting: bool = False
    """All later calls fail too, until `heal`."""
    calls: int = 0
    """Calls so far."""
    fired: bool = False
    """It has failed."""
    hold: Callable[[str], None] = field(default=lambda _sql: None)
    """Called before each statement; may wait."""

    def heal(self) -> None:
        """From now on all goes well."""
        self.nth = 0

    def due(self) -> bool:
        """Count a call; whether it shall fail."""
        self.calls += 1
        due = bool(self.nth) and (self.calls == self.nth or (self.lasting and self.calls > self.nth))
        self.fired = self.fired or due
        return due

    def error(self) -> sqlite3.OperationalError:
        """As SQLite would raise it."""
        exc = sqlite3.OperationalError(f"injected, result code {self.code}")
        exc.sqlite_errorcode = self.code
        return exc

    def make(self, path: Path) -> sqlite3.Connection:
        """A connection that follows the plan."""
        plan = self

        class Faulty(sqlite3.Connection):
            def execute(self, sql: str, parameters: Any = (), /) -> sqlite3.Cursor:  # noqa: ANN401 -- as in the base
                sql = sql.replace("synchronous = FULL", "synchronous = OFF")  # no power is cut here: spare the disk
                plan.hold(sql)
                due = plan.due()
                if due and not plan.after:
                    raise plan.error()
                cursor = super().execute(sql, parameters)
                if due:
                    raise plan.error()
                return cursor

        return sqlite3.connect(path, timeout=0.0, isolation_level=None, check_same_thread=False, factory=Faulty)


def relaxed(path: Path) -> sqlite3.Connection:
    """A connection that leaves the forcing to the disk out, for tests of many stores in which no power is cut."""
    return FaultPlan().make(path)


def seqs(path: Path, boot_id: str = BOOT) -> list[int]:
    """Sequence numbers of a boot's readings, in the order of keeping."""
    with Archive(path) as archive:
        kept = sorted(archive.readings(), key=lambda one: one.id)
    return [one.seq for one in kept if one.at.boot_id == boot_id]


def event_texts(path: Path, kind: str = "store") -> list[str]:
    """Texts of the events of a kind, oldest first."""
    with Archive(path) as archive:
        return [one.text for one in archive.events() if one.kind == kind]


def integrity(path: Path) -> str:
    """SQLite's own full check; `ok` when all is well."""
    connection = sqlite3.connect(path)
    try:
        return "; ".join(str(row[0]) for row in connection.execute("PRAGMA integrity_check"))
    finally:
        connection.close()
