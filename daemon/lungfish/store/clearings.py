"""Tries to blow a tube free, as the store keeps them: put down before the first pulse, never taken away again."""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping
from dataclasses import dataclass

from lungfish.ports import ClockState, Stamp
from lungfish.store.rows import Numbering, clean_text, sane_stamp

__all__ = ["TryItem", "tries_in"]

_MOST_TRIES = 200
"""More than a tank may take within the times that count."""


@dataclass(slots=True)
class TryItem:
    """A try that is about to begin, on its way."""

    session: str
    """Which run of the daemon begins it."""
    number: int
    """Which of that run's tries it is, from 1."""
    tank: str
    """Name in the site file."""
    at: Stamp
    """Just before it."""

    def write(self, connection: sqlite3.Connection, numbers: Mapping[str, Numbering]) -> None:
        """Insert the try; a second time changes nothing."""
        connection.execute(
            "INSERT INTO clearing_tries (session, number, boot_id, utc_s, monotonic_s, clock, tank) "
            "VALUES (:session, :number, :boot_id, :utc_s, :monotonic_s, :clock, :tank) "
            "ON CONFLICT (session, number) DO NOTHING",
            {**sane_stamp(self.at), "session": self.session, "number": self.number, "tank": clean_text(self.tank)},
        )

    def rescued(self, reason: str) -> TryItem:
        """There is no other form: its stamp is made to fit as it is."""
        return self


def tries_in(connection: sqlite3.Connection, tank: str) -> tuple[Stamp, ...]:
    """When the latest tries of a tank began, in the order of keeping.

    Args:
        connection: to a store.
        tank: its name in the site file.

    Raises:
        sqlite3.Error: the store can't be read.
    """
    rows = connection.execute(
        "SELECT boot_id, monotonic_s, utc_s, clock FROM clearing_tries WHERE tank = ? ORDER BY id DESC LIMIT ?",
        (tank, _MOST_TRIES),
    ).fetchall()
    return tuple(Stamp(boot_id=b, monotonic_s=m, utc_s=u, clock=ClockState(c)) for b, m, u, c in reversed(rows))
