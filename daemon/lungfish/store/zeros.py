"""Looks at transmitters' zeros, as the store keeps them: each once, never rewritten, never taken away."""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping
from dataclasses import dataclass

from lungfish.core.zero import Outcome, Source, Zero
from lungfish.ports import ClockState, Stamp, ZeroRecord
from lungfish.store.rows import Numbering, clean_text, known, sane_stamp

__all__ = ["ZeroItem", "zeros_in"]

_MOST = 50
"""So many of a tank are read, and so many that came to something: a year of weekly checks."""
_COLUMNS = (
    "boot_id, monotonic_s, utc_s, clock, config, source, outcome, zero_pa, u_pa, rest_pa, proven, came_back, detail"
)


@dataclass(slots=True)
class ZeroItem:
    """A look at a zero on its way."""

    session: str
    """Which run of the daemon made it."""
    number: int
    """Which of that run's looks it is, from 1."""
    record: ZeroRecord
    """What was seen."""

    def write(self, connection: sqlite3.Connection, numbers: Mapping[str, Numbering]) -> None:
        """Insert it; a second time changes nothing."""
        zero = self.record.zero
        connection.execute(
            "INSERT INTO zero_checks (session, number, boot_id, utc_s, monotonic_s, clock, tank, config, source, "
            "outcome, zero_pa, u_pa, rest_pa, proven, came_back, detail) "
            "VALUES (:session, :number, :boot_id, :utc_s, :monotonic_s, :clock, :tank, :config, :source, "
            ":outcome, :zero_pa, :u_pa, :rest_pa, :proven, :came_back, :detail) "
            "ON CONFLICT (session, number) DO NOTHING",
            {
                **sane_stamp(self.record.at),
                "session": self.session,
                "number": self.number,
                "tank": clean_text(self.record.tank),
                "config": self.record.config,
                "source": zero.source.value,
                "outcome": zero.outcome.value,
                "zero_pa": known(zero.zero_pa),
                "u_pa": known(zero.u_pa),
                "rest_pa": known(zero.rest_pa),
                "proven": int(zero.proven),
                "came_back": None if zero.came_back is None else int(zero.came_back),
                "detail": clean_text(zero.detail),
            },
        )

    def rescued(self, reason: str) -> ZeroItem:
        """There is no other form: its stamp and numbers are made to fit as it is."""
        return self


def zeros_in(connection: sqlite3.Connection, tank: str) -> tuple[ZeroRecord, ...]:
    """The latest looks at the zero of a tank's transmitter, the newest first.

    Args:
        connection: to a store.
        tank: its name in the site file.

    Raises:
        sqlite3.Error: the store can't be read.
        ValueError: a row is of a newer lungfish, or damaged.
    """
    # checks that fail every hour must not push the last zero that was measured out of sight
    query = (
        f"SELECT {_COLUMNS} FROM zero_checks WHERE id IN "  # noqa: S608 -- ours
        "(SELECT id FROM zero_checks WHERE tank = :tank ORDER BY id DESC LIMIT :most) OR id IN "
        "(SELECT id FROM zero_checks WHERE tank = :tank AND outcome = 'measured' ORDER BY id DESC LIMIT :most) "
        "ORDER BY id DESC"
    )
    return tuple(
        ZeroRecord(
            tank=tank,
            at=Stamp(boot_id=row[0], monotonic_s=row[1], utc_s=row[2], clock=ClockState(row[3])),
            config=row[4],
            zero=Zero(
                source=Source(row[5]),
                outcome=Outcome(row[6]),
                zero_pa=row[7],
                u_pa=row[8],
                rest_pa=row[9],
                proven=bool(row[10]),
                came_back=None if row[11] is None else bool(row[11]),
                detail=row[12],
            ),
        )
        for row in connection.execute(query, {"tank": clean_text(tank), "most": _MOST})
    )
