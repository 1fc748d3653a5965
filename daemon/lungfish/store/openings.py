"""Openings of valves as the store has them, for the air budget: rows, and what was announced and has no row yet."""

from __future__ import annotations

import sqlite3
from collections.abc import Generator

from lungfish.core.air_budget import KeptOpening
from lungfish.core.clearing_tries import TryMoment
from lungfish.ports import ClockState

__all__ = ["openings_in"]

_M3 = 1e-3
_ANNOUNCED = "SELECT tank, boot_id, monotonic_s, utc_s, clock, NULL FROM intents"
# By row, so that no more of a store of years is read than is taken.
_OPENED = """
    SELECT tank, boot_id, monotonic_s, utc_s, clock, CASE WHEN purge_s IS NOT NULL THEN air_sl END
    FROM readings WHERE purge_s IS NULL OR purge_s > 0 ORDER BY id DESC
"""


def openings_in(connection: sqlite3.Connection) -> Generator[KeptOpening, None, None]:
    """Every opening, the newest first; to be closed, for it holds one moment of the store until then.

    Args:
        connection: to a store, in autocommit mode.

    Raises:
        sqlite3.Error: the store can't be read.
    """
    connection.execute("BEGIN")  # one moment for both: a row must not take its intent's place between the two
    try:
        for query in (_ANNOUNCED, _OPENED):
            for tank, boot_id, monotonic_s, utc_s, clock, air_sl in connection.execute(query):
                yield KeptOpening(
                    tank=tank,
                    at=TryMoment(boot_id=boot_id, monotonic_s=monotonic_s, utc_s=utc_s),
                    synchronised=clock == ClockState.SYNCHRONISED.value,
                    air_m3=None if air_sl is None else _M3 * air_sl,
                )
    finally:
        connection.execute("COMMIT")
