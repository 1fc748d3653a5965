"""What waits in the writer's queue, and how each is written. Encoding happens when it is put, not when written."""

from __future__ import annotations

import json
import math
import sqlite3
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, fields, is_dataclass, replace
from enum import Enum
from typing import Protocol

from pydantic import TypeAdapter, ValidationError

from lungfish.core.codes import Diagnosis, Quality
from lungfish.core.setup import Learned
from lungfish.ports import ClockState, EventRecord, ReadingRecord, Stamp
from lungfish.store.traces import TRACE_CODEC, encode_trace

__all__ = [
    "EventItem",
    "Intent",
    "IntentItem",
    "Item",
    "LearnedItem",
    "Numbering",
    "ReadingItem",
    "learned_from_json",
    "plain_json",
    "sane_stamp",
]

_LEARNED = TypeAdapter(Learned)
_DEEPEST = 32  # levels of nesting; what is deeper, or holds itself, is kept as text
_LATEST_UTC_S = 253402300799.0  # 9999-12-31T23:59:59Z
_INSERT_READING = """
    INSERT INTO readings (boot_id, seq, utc_s, monotonic_s, clock, tank, level_m, level_u_m, head_pa, volume_m3,
        quality, diagnosis, purge_s, air_sl, config, evidence)
    VALUES (:boot_id, :seq, :utc_s, :monotonic_s, :clock, :tank, :level_m, :level_u_m, :head_pa, :volume_m3,
        :quality, :diagnosis, :purge_s, :air_sl, :config, :evidence)
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Intent:
    """An opening of a valve that was announced; its reading takes it away."""

    session: str
    """Which run of the daemon announced it."""
    number: int
    """Which of that run's openings it was, from 1."""
    tank: str
    """Name in the site file."""
    at: Stamp
    """Just before the valve was told to open."""


class Numbering:
    """The next sequence number of each boot, for one table. It goes on when a damaged file gives way to a new one."""

    def __init__(self, table: str) -> None:
        self._table = table
        self._next: dict[str, int] = {}

    def take(self, connection: sqlite3.Connection, boot_id: str) -> int:
        """The boot's next number."""
        if boot_id not in self._next:
            query = f"SELECT coalesce(max(seq), 0) FROM {self._table} WHERE boot_id = ?"  # noqa: S608 -- ours
            (last,) = connection.execute(query, (boot_id,)).fetchone()
            self._next[boot_id] = last + 1
        number = self._next[boot_id]
        self._next[boot_id] = number + 1
        return number


class Item(Protocol):
    """One thing to be written."""

    def write(self, connection: sqlite3.Connection, numbers: Mapping[str, Numbering]) -> None:
        """Write inside the open transaction; a second time after a doubtful commit must change nothing.

        Raises:
            sqlite3.Error: not written.
        """
        ...

    def rescued(self, reason: str) -> Item:
        """The same in a form that any table takes.

        Args:
            reason: why the tables refused it.
        """
        ...


@dataclass(slots=True)
class ReadingItem:
    """A reading on its way."""

    row: dict[str, object]
    """Columns but `seq`."""
    trace: bytes | None
    """Packed trace; None when there is none."""
    points: int
    """Points in it."""
    session: str
    """The run of the daemon that this is."""
    ends: Intent | None
    """The intent that this reading ends, left by an earlier run; None: that of its tank in this run, if any."""
    seq: int | None = None
    """Given at the first try."""

    @classmethod
    def of(cls, record: ReadingRecord, *, session: str, config: str | None, ends: Intent | None) -> ReadingItem:
        """Encode a reading; what is not finite becomes unknown."""
        row: dict[str, object] = {
            **_stamp_columns(record.at),
            "tank": clean_text(record.tank),
            **{name: known(getattr(record, name)) for name in ("level_m", "level_u_m", "head_pa", "volume_m3")},
            "quality": record.quality,
            "diagnosis": clean_text(record.diagnosis),
            "purge_s": known(record.purge_s),
            "air_sl": known(record.air_sl),
            "config": config,
            "evidence": plain_json(record.evidence),
        }
        trace = encode_trace(record.trace) if record.trace else None
        return cls(row=row, trace=trace, points=len(record.trace), session=session, ends=ends)

    def write(self, connection: sqlite3.Connection, numbers: Mapping[str, Numbering]) -> None:
        """Insert the reading and its trace, and take its intent away."""
        self.seq, there = _place(connection, "readings", self.row, self.seq, numbers)
        if not there:
            self._insert(connection)
        if self.ends is None:
            values: tuple[object, object] = (self.session, self.row["tank"])
            query = "DELETE FROM intents WHERE session = ? AND tank = ?"
        else:
            values = (self.ends.session, self.ends.number)
            query = "DELETE FROM intents WHERE session = ? AND number = ?"
        connection.execute(query, values)

    def _insert(self, connection: sqlite3.Connection) -> None:
        cursor = connection.execute(_INSERT_READING, {**self.row, "seq": self.seq})
        if self.trace is not None:
            packed = (cursor.lastrowid, TRACE_CODEC, self.points, self.trace)
            connection.execute("INSERT INTO traces VALUES (?, ?, ?, ?)", packed)

    def rescued(self, reason: str) -> ReadingItem:
        """The same reading as a row that any table takes: bad, no level, and all that was refused in its evidence."""
        refused = {name: value for name, value in self.row.items() if name != "evidence"}
        evidence = {"refused": refused, "reason": reason, "evidence": str(self.row["evidence"])}
        row = dict.fromkeys(self.row) | {
            **_sane_stamp(self.row),
            "tank": self.row["tank"] or "?",
            "quality": Quality.BAD.value,
            "diagnosis": self.row["diagnosis"] or Diagnosis.ABORTED.value,
            "evidence": plain_json(evidence),
        }
        return replace(self, row=row)


@dataclass(slots=True)
class EventItem:
    """An event on its way."""

    row: dict[str, object]
    """Columns but `seq`."""
    seq: int | None = None
    """Given at the first try."""

    @classmethod
    def of(cls, record: EventRecord) -> EventItem:
        """Encode an event."""
        return cls(
            row={
                **_stamp_columns(record.at),
                "kind": clean_text(record.kind),
                "tank": None if record.tank is None else clean_text(record.tank),
                "text": clean_text(record.text),
            }
        )

    def write(self, connection: sqlite3.Connection, numbers: Mapping[str, Numbering]) -> None:
        """Insert the event."""
        self.seq, there = _place(connection, "events", self.row, self.seq, numbers)
        if not there:
            connection.execute(
                "INSERT INTO events (boot_id, seq, utc_s, monotonic_s, clock, kind, tank, text) "
                "VALUES (:boot_id, :seq, :utc_s, :monotonic_s, :clock, :kind, :tank, :text)",
                {**self.row, "seq": self.seq},
            )

    def rescued(self, reason: str) -> EventItem:
        """The same event as a row that any table takes."""
        text = f"{self.row['text']} (kept in another form: {reason})"
        row = {**self.row, **_sane_stamp(self.row), "kind": self.row["kind"] or "?", "tank": self.row["tank"] or None}
        return replace(self, row=row | {"text": text})


@dataclass(slots=True)
class IntentItem:
    """An announcement that a valve is about to open."""

    intent: Intent
    """What is announced."""

    def write(self, connection: sqlite3.Connection, numbers: Mapping[str, Numbering]) -> None:
        """Insert the intent."""
        connection.execute(
            "INSERT INTO intents (session, number, boot_id, utc_s, monotonic_s, clock, tank) "
            "VALUES (:session, :number, :boot_id, :utc_s, :monotonic_s, :clock, :tank) "
            "ON CONFLICT (session, number) DO NOTHING",
            {
                **_sane_stamp(_stamp_columns(self.intent.at)),
                "session": self.intent.session,
                "number": self.intent.number,
                "tank": clean_text(self.intent.tank),
            },
        )

    def rescued(self, reason: str) -> IntentItem:
        """There is no other form: its stamp is made to fit as it is."""
        return self


@dataclass(slots=True)
class LearnedItem:
    """What a tank's cycles have learned."""

    tank: str
    """Name in the site file."""
    config: str | None
    """Hash of the settings that it was learned under."""
    state: str
    """JSON."""

    @classmethod
    def of(cls, tank: str, learned: Learned, config: str | None) -> LearnedItem:
        """Encode what was learned."""
        return cls(tank=clean_text(tank), config=config, state=plain_json(asdict(learned)))

    def write(self, connection: sqlite3.Connection, numbers: Mapping[str, Numbering]) -> None:
        """Put it in the place of what was known before."""
        connection.execute(
            "INSERT INTO learned VALUES (?, ?, ?) "
            "ON CONFLICT (tank) DO UPDATE SET config = excluded.config, state = excluded.state",
            (self.tank, self.config, self.state),
        )

    def rescued(self, reason: str) -> LearnedItem:
        """There is no other form."""
        return self


def learned_from_json(text: str) -> Learned:
    """What was kept by `LearnedItem`, for a first cycle after a start.

    Unknown names are passed over and missing ones take their defaults, so that versions can differ; values that make
    no sense are learned anew. The moment of the last shut-in is left out: nobody has watched the tube since.
    """
    try:
        learned = _LEARNED.validate_json(text, strict=True)
    except ValidationError:
        return Learned()
    return replace(learned, shut_at_s=None)


def known(value: float | None) -> float | None:
    """The value as a float, or None when it is not known: None, NaN or infinite."""
    return None if value is None or not math.isfinite(value) else float(value)


def clean_text(text: str) -> str:
    """Text that can be stored as UTF-8: lone surrogates are escaped."""
    return text.encode("utf-8", "backslashreplace").decode("utf-8")


def plain_json(value: object) -> str:
    """JSON of anything; what JSON has no form for becomes text, so nothing is lost and nothing raises."""
    return clean_text(json.dumps(_plain(value, 0), ensure_ascii=False, allow_nan=False, separators=(",", ":")))


def _plain(value: object, depth: int) -> object:
    if value is None or isinstance(value, bool | int | str):
        return value
    if isinstance(value, float):
        return value if math.isfinite(value) else str(value)  # "nan", "inf", "-inf"
    if isinstance(value, Enum):
        return _plain(value.value, depth)
    if depth == _DEEPEST:
        return str(value)
    if isinstance(value, Mapping):
        return {str(_plain(key, depth + 1)): _plain(inner, depth + 1) for key, inner in value.items()}
    if is_dataclass(value) and not isinstance(value, type):
        return {f.name: _plain(getattr(value, f.name), depth + 1) for f in fields(value)}
    if isinstance(value, Iterable) and not isinstance(value, bytes | bytearray):
        return [_plain(inner, depth + 1) for inner in value]
    return str(value)


def _stamp_columns(at: Stamp) -> dict[str, object]:
    return {
        "boot_id": clean_text(at.boot_id),
        "utc_s": float(at.utc_s),
        "monotonic_s": float(at.monotonic_s),
        "clock": at.clock.value,
    }


def sane_stamp(at: Stamp) -> dict[str, object]:
    """A stamp's columns such that any table takes them.

    Args:
        at: the stamp.
    """
    return _sane_stamp(_stamp_columns(at))


def _sane_stamp(row: Mapping[str, object]) -> dict[str, object]:
    """The stamp's columns such that any table takes them; a time that can't be is told by the clock's state."""
    utc_s, monotonic_s = row["utc_s"], row["monotonic_s"]
    sane = isinstance(utc_s, float) and 0 <= utc_s <= _LATEST_UTC_S
    return {
        "boot_id": row["boot_id"] or "?",
        "utc_s": utc_s if sane else 0.0,
        "monotonic_s": monotonic_s if isinstance(monotonic_s, float) and math.isfinite(monotonic_s) else 0.0,
        "clock": row["clock"] if sane else ClockState.UNKNOWN.value,
    }


def _place(
    connection: sqlite3.Connection,
    table: str,
    row: Mapping[str, object],
    seq: int | None,
    numbers: Mapping[str, Numbering],
) -> tuple[int, bool]:
    """The row's number, and whether it stands there already: an earlier commit may have come through after all."""
    boot_id = str(row["boot_id"])
    if seq is None:
        return numbers[table].take(connection, boot_id), False
    query = f"SELECT 1 FROM {table} WHERE boot_id = ? AND seq = ?"  # noqa: S608 -- ours
    return seq, connection.execute(query, (boot_id, seq)).fetchone() is not None
