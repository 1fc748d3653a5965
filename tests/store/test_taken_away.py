"""A store whose file is taken away under the open daemon: told and begun anew, with nothing of the one in the other."""

from __future__ import annotations

from pathlib import Path

import pytest

from lungfish.store import Archive, Store
from tests.store.samples import NEVER, event_texts, integrity, reading, stamp


@pytest.mark.parametrize("how", ["removed", "replaced"])
def test_a_store_that_is_taken_away_while_it_is_open_is_told_and_begun_anew(tmp_path: Path, how: str) -> None:
    """SQLite would write on into the file without a name, and nobody would ever read it."""
    path = tmp_path / "site.db"
    told: list[str | None] = []
    store = Store.open(path, now=lambda: stamp(9.0), on_trouble=told.append, pauses_s=NEVER)
    store.put_reading(reading(0.0))
    assert store.flush().result(10)
    path.rename(tmp_path / "taken.db")
    if how == "replaced":
        with Store.open(tmp_path / "other.db") as other:
            other.put_reading(reading(1.0, "other"))
        (tmp_path / "other.db").rename(path)
    store.put_reading(reading(2.0))
    assert not store.flush().result(10)
    assert told[0] is not None
    assert "removed or replaced while it was open" in told[0]
    assert store.flush().result(10)
    store.close()
    assert told[-1] is None
    with Archive(path) as archive:
        kept = [(one.tank, one.at) for one in archive.readings()]
    assert kept == [("other", stamp(1.0))] * (how == "replaced") + [("sump", stamp(2.0))]
    (text,) = event_texts(path)
    assert "removed or replaced" in text
    assert integrity(path) == "ok"
    assert integrity(tmp_path / "taken.db") == "ok"


def test_a_store_that_was_emptied_is_told(tmp_path: Path) -> None:
    """A file of no bytes is what a power cut can leave; begun anew without a word, a year would be gone unnoticed."""
    path = tmp_path / "site.db"
    with Store.open(path, now=stamp) as store:
        store.put_reading(reading(0.0))
    assert event_texts(path) == []
    path.write_bytes(b"")
    with Store.open(path, now=stamp):
        pass
    assert event_texts(path) == [
        "the store's file was empty, as a power cut can leave it; it is begun anew, without earlier records"
    ]
