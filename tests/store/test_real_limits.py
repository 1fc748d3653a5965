"""Limits that the kernel itself sets: a file that may not grow, a directory without rights."""

from __future__ import annotations

import os
import resource
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from lungfish.errors import StoreError
from lungfish.store import Archive, Store
from tests.store.children import NOBODY, in_child
from tests.store.samples import NEVER, event_texts, integrity, reading, seqs, stamp


@pytest.fixture
def nobodys() -> Iterator[Path]:
    """A directory that the user nobody may write to; root's own are out of its reach."""
    with tempfile.TemporaryDirectory() as name:
        if os.geteuid() == 0:
            os.chown(name, NOBODY, NOBODY)
        yield Path(name)


def test_a_file_that_may_not_grow_is_met_and_outlived(tmp_path: Path) -> None:
    path = tmp_path / "site.db"

    def work() -> None:
        store = Store.open(path, now=lambda: stamp(500.0), pauses_s=NEVER)
        store.put_reading(reading(0.0))
        assert store.flush().result(10)
        largest = max(entry.stat().st_size for entry in tmp_path.iterdir())
        resource.setrlimit(resource.RLIMIT_FSIZE, (largest + 40_000, resource.RLIM_INFINITY))
        put = 1
        while store.flush().result(10):
            store.put_reading(reading(put))
            put += 1
        assert store.trouble is not None
        resource.setrlimit(resource.RLIMIT_FSIZE, (1, resource.RLIM_INFINITY))  # nor the log that begins anew
        for _ in range(10):
            store.put_reading(reading(put))
            put += 1
            assert not store.flush().result(10)
        assert store.waiting >= 10
        resource.setrlimit(resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))
        assert store.flush().result(10)
        store.close()
        assert seqs(path) == list(range(1, put + 1))

    in_child(work)
    assert any("could not be written" in text for text in event_texts(path))
    assert integrity(path) == "ok"


def test_a_directory_without_rights_is_refused_with_the_remedy(nobodys: Path) -> None:
    def work() -> None:
        path = nobodys / "site.db"
        with Store.open(path) as store:
            store.put_reading(reading())
        nobodys.chmod(0o555)
        with pytest.raises(StoreError, match=r"no right to write there; change the owner or rights, or store\.path"):
            Store.open(path)
        nobodys.chmod(0o755)
        path.chmod(0o444)
        with pytest.raises(StoreError, match="no right to write there"):
            Store.open(path)

    in_child(work, as_nobody=True)


def test_a_store_can_be_read_where_nothing_can_be_written(nobodys: Path) -> None:
    """As on a memory card taken to another computer."""

    def work() -> None:
        path = nobodys / "site.db"
        with Store.open(path) as store:
            store.put_reading(reading())
        path.chmod(0o444)
        nobodys.chmod(0o555)
        with Archive(path) as archive:
            assert [one.at for one in archive.readings()] == [stamp()]

    in_child(work, as_nobody=True)
    nobodys.chmod(0o755)


def test_readings_still_in_the_log_are_never_left_out_unsaid(nobodys: Path) -> None:
    """After a death they stand in the log; where that can't be read, nothing is shown rather than less."""

    def work() -> None:
        path = nobodys / "site.db"
        store = Store.open(path)
        store.put_reading(reading())
        assert store.flush().result(10)
        for tail in ("", "-wal"):  # as a death leaves them
            copy = nobodys / f"copy.db{tail}"
            copy.write_bytes((nobodys / f"site.db{tail}").read_bytes())
            copy.chmod(0o444)
        store.close()
        with Archive(nobodys / "copy.db") as archive:  # readable here
            assert len(list(archive.readings())) == 1
        for tail in ("-shm",):
            (nobodys / f"copy.db{tail}").unlink(missing_ok=True)
        nobodys.chmod(0o555)
        with pytest.raises(StoreError, match="can't be read"):
            Archive(nobodys / "copy.db")

    in_child(work, as_nobody=True)
    nobodys.chmod(0o755)
