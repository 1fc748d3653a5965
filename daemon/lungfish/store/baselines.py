"""Baselines in the store, and the requests that people leave for the process that holds it."""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping
from concurrent.futures import Future
from contextlib import closing
from dataclasses import asdict, dataclass
from pathlib import Path

from pydantic import TypeAdapter, ValidationError

from lungfish.core.baseline import Baseline
from lungfish.errors import StoreError
from lungfish.ports import BaselineAct, BaselineRequest
from lungfish.store.opening import connect
from lungfish.store.rows import Numbering, clean_text, plain_json
from lungfish.store.schema import APPLICATION_ID, SCHEMA_VERSION

__all__ = ["BaselineItem", "RequestsChore", "StoredBaseline", "baseline_from_json", "leave_request", "requests_in"]

_BASELINE = TypeAdapter(Baseline)


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredBaseline:
    """A baseline as it stands in the store."""

    baseline: Baseline
    """What is normal, and how it goes."""
    config: str | None
    """Hash of the settings that it was learned under."""


@dataclass(slots=True)
class BaselineItem:
    """A tank's baseline on its way, and the requests that it has answered."""

    tank: str
    """Name in the site file."""
    config: str | None
    """Hash of the settings that it was learned under."""
    state: str
    """JSON."""
    answered: tuple[int, ...]
    """Requests that are done with it."""

    @classmethod
    def of(cls, tank: str, baseline: Baseline, config: str | None, answered: tuple[int, ...]) -> BaselineItem:
        """Encode a baseline."""
        return cls(clean_text(tank), config, plain_json(asdict(baseline)), answered)

    def write(self, connection: sqlite3.Connection, numbers: Mapping[str, Numbering]) -> None:
        """Put it in the place of the one before, and take away what it has answered."""
        connection.execute(
            "INSERT INTO baselines VALUES (?, ?, ?) "
            "ON CONFLICT (tank) DO UPDATE SET config = excluded.config, state = excluded.state",
            (self.tank, self.config, self.state),
        )
        for number in self.answered:
            connection.execute("DELETE FROM baseline_requests WHERE id = ?", (number,))

    def rescued(self, reason: str) -> BaselineItem:
        """There is no other form."""
        return self


class RequestsChore:
    """Looks up what people ask of a tank's baseline."""

    def __init__(self, tank: str, future: Future[tuple[BaselineRequest, ...]]) -> None:
        self._tank, self._future = tank, future
        self._found: tuple[BaselineRequest, ...] = ()

    def step(self, connection: sqlite3.Connection, numbers: Mapping[str, Numbering]) -> bool:
        """Read them."""
        self._found = requests_in(connection, self._tank)
        return True

    def ended(self, *, done: bool) -> None:
        """Tell who waits; none when they could not be read: then they wait for the next cycle."""
        self._future.set_result(self._found if done else ())


def requests_in(connection: sqlite3.Connection, tank: str) -> tuple[BaselineRequest, ...]:
    """Requests of a tank that wait, in their order.

    Raises:
        sqlite3.Error: the store can't be read.
    """
    query = "SELECT id, act, name, reason FROM baseline_requests WHERE tank = ? ORDER BY id"
    return tuple(
        BaselineRequest(number=row[0], tank=tank, act=BaselineAct(row[1]), name=row[2], reason=row[3])
        for row in connection.execute(query, (clean_text(tank),))
    )


def leave_request(path: Path | str, tank: str, act: BaselineAct, name: str, reason: str) -> None:
    """Leave a request for the process that holds the store: it looks before its next cycle of the tank.

    Nothing else is ever written to a store by a process that does not hold it.

    Args:
        path: the store's file.
        tank: name in the site file.
        act: what is asked.
        name: who asks.
        reason: why.

    Raises:
        StoreError: not a store of this format, or it can't be written.
    """
    file = Path(path)
    try:
        if not file.is_file():
            raise StoreError(f"{file}: there is no store yet; `lungfish run` makes it")
        with closing(connect(file)) as connection:
            (application,) = connection.execute("PRAGMA application_id").fetchone()
            (version,) = connection.execute("PRAGMA user_version").fetchone()
            if application != APPLICATION_ID or version != SCHEMA_VERSION:
                raise StoreError(f"{file}: not a store of this lungfish's format; look at store.path")
            connection.execute("PRAGMA synchronous = FULL")
            connection.execute(
                "INSERT INTO baseline_requests (tank, act, name, reason) VALUES (?, ?, ?, ?)",
                (clean_text(tank), act.value, clean_text(name), clean_text(reason)),
            )
    except sqlite3.Error as exc:
        raise StoreError(f"{file}: the request can't be written: {exc}") from exc


def baseline_from_json(text: str) -> Baseline | None:
    """What was kept by `BaselineItem`; None when it makes no sense, as from another version: it is learned anew."""
    try:
        return _BASELINE.validate_json(text)
    except ValidationError:
        return None
