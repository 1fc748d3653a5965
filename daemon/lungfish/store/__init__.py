"""SQLite: schema and migrations, one writer, queries."""

from lungfish.store.air import Pruned, day_bounds_utc_s
from lungfish.store.archive import Archive
from lungfish.store.baselines import StoredBaseline, leave_request
from lungfish.store.lock import StoreLock, lock_store
from lungfish.store.records import AirDay, AirUse, StoredEvent, StoredReading
from lungfish.store.rows import Intent
from lungfish.store.store import Store
from lungfish.store.traces import decode_trace, encode_trace

__all__ = [
    "AirDay",
    "AirUse",
    "Archive",
    "Intent",
    "Pruned",
    "Store",
    "StoreLock",
    "StoredBaseline",
    "StoredEvent",
    "StoredReading",
    "day_bounds_utc_s",
    "decode_trace",
    "encode_trace",
    "leave_request",
    "lock_store",
]
