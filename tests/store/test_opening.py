"""Which files are taken for a store, which are refused, which are moved aside; how an older one becomes a newer one."""

from __future__ import annotations

import os
import signal
import sqlite3
import struct
from pathlib import Path

import pytest

from lungfish.errors import StoreBusy, StoreError
from lungfish.store import Archive, Store, lock_store
from lungfish.store.opening import open_database
from lungfish.store.schema import APPLICATION_ID, MIGRATIONS, SCHEMA_VERSION, migrate
from tests.store.samples import NEVER, FaultPlan, event, event_texts, integrity, reading, seqs, stamp


def made_store(path: Path, readings: int = 3) -> Path:
    """A store with some readings, closed."""
    with Store.open(path) as store:
        for i in range(readings):
            store.put_reading(reading(i))
    return path


def test_the_file_is_what_the_open_format_says(tmp_path: Path) -> None:
    """Offsets from "Database File Format", https://www.sqlite.org/fileformat2.html, section 1.3."""
    header = made_store(tmp_path / "site.db").read_bytes()[:100]
    assert header[:16] == b"SQLite format 3\0"
    assert header[18:20] == b"\x02\x02"  # write and read version: write-ahead log
    assert struct.unpack(">I", header[60:64]) == (SCHEMA_VERSION,)
    assert struct.unpack(">I", header[68:72]) == (APPLICATION_ID,)


def test_every_commit_is_forced_to_the_disk(tmp_path: Path) -> None:
    """NORMAL loses the last commits in a power cut (https://www.sqlite.org/pragma.html#pragma_synchronous)."""
    connection, _ = open_database(tmp_path / "site.db")
    assert connection.execute("PRAGMA synchronous").fetchone() == (2,)  # 2 is FULL
    assert connection.execute("PRAGMA journal_mode").fetchone() == ("wal",)
    connection.close()


def test_a_foreign_database_is_refused_and_left_as_it_was(tmp_path: Path) -> None:
    path = tmp_path / "books.db"
    connection = sqlite3.connect(path)
    connection.execute("CREATE TABLE books (title TEXT)")
    connection.close()
    before = path.read_bytes()
    with pytest.raises(StoreError, match=r"books\.db: this is an SQLite file, but not a store of lungfish"):
        Store.open(path)
    with pytest.raises(StoreError, match="not a store of lungfish"):
        Archive(path)
    assert path.read_bytes() == before
    assert sorted(entry.name for entry in tmp_path.iterdir()) == ["books.db", "books.db.lock"]


@pytest.mark.parametrize("content", [b"site:\n  name: x\n", b"SQLite format 3\0" + b"x" * 5000, b"\xff" * 4096])
def test_a_file_that_is_no_database_is_refused_and_left_as_it_was(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "site.yaml"
    path.write_bytes(content)
    with pytest.raises(StoreError, match="not a store of lungfish: it is left alone"):
        Store.open(path)
    assert path.read_bytes() == content


def test_a_store_of_a_newer_lungfish_is_refused(tmp_path: Path) -> None:
    path = made_store(tmp_path / "site.db")
    connection = sqlite3.connect(path)
    connection.execute(f"PRAGMA user_version = {SCHEMA_VERSION + 1}")
    connection.close()
    with pytest.raises(StoreError, match="use the newer lungfish"):
        Store.open(path)
    with pytest.raises(StoreError, match="use the newer one"):
        Archive(path)


def test_an_empty_file_becomes_a_store(tmp_path: Path) -> None:
    path = tmp_path / "site.db"
    path.touch()
    assert seqs(made_store(path)) == [1, 2, 3]


def test_there_is_no_store_yet(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="there is no store yet; `lungfish run` makes it"):
        Archive(tmp_path / "site.db")


@pytest.mark.parametrize(
    ("name", "message"),
    [("nowhere/site.db", "no such directory; make it, or change store.path"), ("folder", "not a file")],
)
def test_a_path_that_can_never_work_is_refused(tmp_path: Path, name: str, message: str) -> None:
    (tmp_path / "folder").mkdir()
    with pytest.raises(StoreError, match=message):
        open_database(tmp_path / name)
    with pytest.raises(StoreError):
        Store.open(tmp_path / name)


def smash_table(path: Path) -> None:
    """Overwrite all but the first page."""
    with path.open("r+b") as file:
        file.seek(4096)
        file.write(b"\xa5" * (path.stat().st_size - 4096))


def smash_header(path: Path) -> None:
    """Lose the magic text of the header, as a torn first page does; our mark is still there."""
    with path.open("r+b") as file:
        file.write(b"\0" * 16)


def zero_first_page(path: Path) -> None:
    """What some file systems leave after a power cut."""
    with path.open("r+b") as file:
        file.write(bytes(4096))


def cut_short(path: Path) -> None:
    """Lose the end of the file."""
    os.truncate(path, path.stat().st_size // 2)


@pytest.mark.parametrize("damage", [smash_table, smash_header, zero_first_page, cut_short])
def test_a_damaged_store_is_moved_aside_and_that_is_told(tmp_path: Path, damage: object) -> None:
    path = made_store(tmp_path / "site.db", readings=40)
    assert callable(damage)
    damage(path)
    damaged = path.read_bytes()
    with Store.open(path) as store:
        store.put_reading(reading(50.0))
    assert seqs(path) == [1]
    (text,) = event_texts(path)
    assert "was damaged" in text
    assert "site.db.damaged-1" in text
    assert (tmp_path / "site.db.damaged-1").read_bytes() == damaged  # never deleted


def test_a_second_damaged_store_does_not_take_the_place_of_the_first(tmp_path: Path) -> None:
    path = tmp_path / "site.db"
    for _ in range(2):
        smash_table(made_store(path, readings=40))
        made_store(path)
    assert (tmp_path / "site.db.damaged-1").exists()
    assert (tmp_path / "site.db.damaged-2").exists()


def test_damage_found_while_writing_is_met_in_the_same_way(tmp_path: Path) -> None:
    path = tmp_path / "site.db"
    store = Store.open(path, now=lambda: stamp(99.0))
    for i in range(40):
        store.put_reading(reading(i))
    assert store.flush().result(10)
    connection = sqlite3.connect(path)
    connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    connection.close()
    smash_table(path)
    store.put_reading(reading(50.0))
    for _ in range(3):
        done = store.flush().result(10)
    assert done
    store.close()
    assert seqs(path)[-1] == 41  # the count goes on
    assert any("was damaged" in text for text in event_texts(path))
    assert integrity(path) == "ok"


def test_the_count_goes_on_in_a_new_file(tmp_path: Path) -> None:
    """Numbers of one boot stay unique over the damaged file and the new one."""
    path = tmp_path / "site.db"
    plan = FaultPlan()
    store = Store.open(path, now=stamp, make=plan.make, pauses_s=NEVER)
    for i in range(40):
        store.put_reading(reading(i))
    assert store.flush().result(10)
    path.with_name("site.db-wal").write_bytes(b"")
    path.write_bytes(bytes(8192))
    plan.nth, plan.code = plan.calls + 1, sqlite3.SQLITE_IOERR_WRITE  # so that the file is opened anew
    store.put_reading(reading(50.0))
    store.flush().result(10)
    assert store.flush().result(10)
    store.close()
    assert seqs(path) == [41]


def test_the_log_of_a_damaged_store_goes_aside_with_it(tmp_path: Path) -> None:
    """A death leaves the last readings in the log; they must neither be thrown away nor reach the new file."""
    path, log = tmp_path / "site.db", tmp_path / "site.db-wal"
    store = Store.open(path)
    for i in range(40):
        store.put_reading(reading(i))
    assert store.flush().result(10)
    connection = sqlite3.connect(path)
    connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    connection.close()
    store.put_reading(reading(50.0, evidence={"where": "in the log alone"}))
    assert store.flush().result(10)
    left = log.read_bytes()
    store.close()
    path.write_bytes(bytes(path.stat().st_size))
    log.write_bytes(left)
    assert seqs(made_store(path)) == [1, 2, 3]
    aside = b"".join(piece.read_bytes() for piece in tmp_path.glob("site.db.damaged-1*"))
    assert b"in the log alone" in aside
    assert b"in the log alone" not in path.read_bytes()


def dying(path: Path, migrations: tuple[tuple[str, ...], ...], after: int) -> int:
    """Migrate in a child that kills itself after some statements; the signal it died by, 0 when it came through."""
    pid = os.fork()
    if pid == 0:
        left = [after]

        def count(_statement: str) -> None:
            left[0] -= 1
            if left[0] == 0:
                os.kill(os.getpid(), signal.SIGKILL)

        connection = sqlite3.connect(path, isolation_level=None)
        connection.execute("PRAGMA journal_mode = WAL")
        migrate(connection, migrations, count)
        os._exit(0)
    return os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1])


def test_a_death_while_the_store_is_made_leaves_nothing_in_the_way(tmp_path: Path) -> None:
    for after in range(1, len(MIGRATIONS[0]) + 1):
        path = tmp_path / f"{after}.db"
        assert dying(path, MIGRATIONS[:1], after) == -signal.SIGKILL
        assert seqs(made_store(path)) == [1, 2, 3]


NEXT = (
    "ALTER TABLE readings ADD COLUMN temperature_k REAL",
    "CREATE TABLE dips (id INTEGER PRIMARY KEY, level_m REAL NOT NULL) STRICT",
    "INSERT INTO dips (level_m) SELECT level_m FROM readings",
)


def test_a_death_in_the_middle_of_a_migration_leaves_the_old_store(tmp_path: Path) -> None:
    path = made_store(tmp_path / "site.db")
    for after in range(1, len(NEXT) + 1):
        assert dying(path, (*MIGRATIONS, NEXT), after) == -signal.SIGKILL
        assert integrity(path) == "ok"
        assert seqs(path) == [1, 2, 3]  # this lungfish, which knows the old version only, still reads it
        with Store.open(path) as store:
            assert store.trouble is None
    assert dying(path, (*MIGRATIONS, NEXT), len(NEXT) + 1) == 0
    connection = sqlite3.connect(path)
    assert connection.execute("PRAGMA user_version").fetchone() == (SCHEMA_VERSION + 1,)
    assert connection.execute("SELECT count(*) FROM dips").fetchone() == (3,)
    connection.close()


def test_a_migration_that_fails_leaves_the_old_store_and_says_so(tmp_path: Path) -> None:
    path = made_store(tmp_path / "site.db")
    connection = sqlite3.connect(path, isolation_level=None)
    with pytest.raises(sqlite3.OperationalError, match="no such table: nowhere"):
        migrate(connection, (*MIGRATIONS, (*NEXT, "INSERT INTO nowhere VALUES (1)")))
    connection.close()
    assert seqs(path) == [1, 2, 3]


def test_a_migration_is_told(tmp_path: Path) -> None:
    connection = sqlite3.connect(made_store(tmp_path / "site.db"), isolation_level=None)
    assert migrate(connection) == []
    assert migrate(connection, (*MIGRATIONS, NEXT)) == [
        f"the store's format was brought from {SCHEMA_VERSION} to {SCHEMA_VERSION + 1}"
    ]
    connection.close()


REWRITES = [
    "UPDATE readings SET level_m = 9.9 WHERE seq = 2",
    "DELETE FROM readings WHERE seq = 2",
    "INSERT OR REPLACE INTO readings SELECT * FROM readings WHERE seq = 2",
    "REPLACE INTO readings (boot_id, seq, utc_s, monotonic_s, clock, tank, quality, diagnosis, evidence) "
    "SELECT boot_id, seq, 0, 0, 'unknown', tank, 'bad', 'aborted', '{}' FROM readings WHERE seq = 2",
    "UPDATE traces SET packed = x'00'",
    "DELETE FROM traces",
    "REPLACE INTO traces SELECT reading_id, codec, points, x'00' FROM traces",
    "UPDATE events SET text = 'nothing happened'",
    "DELETE FROM events",
    "REPLACE INTO events SELECT id, boot_id, seq, utc_s, monotonic_s, clock, kind, tank, 'x' FROM events",
]


@pytest.mark.parametrize("statement", REWRITES)
def test_what_is_kept_is_never_rewritten(tmp_path: Path, statement: str) -> None:
    path = tmp_path / "site.db"
    with Store.open(path) as store:
        store.put_event(event())
        for i in range(3):
            store.put_reading(reading(i))
    with Archive(path) as archive:
        before = [*archive.readings(), *archive.events()]
    connection = sqlite3.connect(path)
    with pytest.raises(sqlite3.IntegrityError, match="never"):
        connection.execute(statement)
    connection.close()
    with Archive(path) as archive:
        assert [*archive.readings(), *archive.events()] == before
        assert all(archive.trace(one.id) == reading().trace for one in archive.readings())


BAD_ROWS = [
    {"quality": "'bad'", "level_m": "2.5"},
    {"quality": "'splendid'"},
    {"level_u_m": "-0.1"},
    {"purge_s": "-1.0"},
    {"utc_s": "-1.0"},
    {"seq": "0"},
    {"seq": "1.5"},
    {"tank": "''"},
    {"level_m": "'high'"},
    {"evidence": "'{'"},
    {"clock": "'sundial'"},
]


@pytest.mark.parametrize("changes", BAD_ROWS, ids=lambda changes: " ".join(f"{k}={v}" for k, v in changes.items()))
def test_the_tables_themselves_refuse_what_can_not_be(tmp_path: Path, changes: dict[str, str]) -> None:
    values = {
        "boot_id": "'boot'",
        "seq": "1",
        "utc_s": "1.0",
        "monotonic_s": "1.0",
        "clock": "'unknown'",
        "tank": "'sump'",
        "quality": "'uncertain'",
        "diagnosis": "'ok'",
        "evidence": "'{}'",
    }
    connection, _ = open_database(tmp_path / "site.db")
    connection.execute(insert(values))
    with pytest.raises(sqlite3.IntegrityError):
        connection.execute(insert({**values, "seq": "2", **changes}))
    connection.close()


def insert(values: dict[str, str]) -> str:
    """A statement with the values written out."""
    return f"INSERT INTO readings ({', '.join(values)}) VALUES ({', '.join(values.values())})"


def test_a_second_writer_in_this_process_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "site.db"
    with Store.open(path), pytest.raises(StoreBusy):
        Store.open(path)
    with lock_store(path):
        with pytest.raises(StoreBusy):
            lock_store(path)
        with Store.open(path), pytest.raises(StoreBusy):
            Store.open(path)
        with Store.open(path) as store:  # under the lock that the process has
            store.put_reading(reading())
    assert seqs(path) == [1]


def test_another_path_to_the_same_store_is_the_same_store(tmp_path: Path) -> None:
    (tmp_path / "link").symlink_to(tmp_path, target_is_directory=True)
    with lock_store(tmp_path / "site.db"), pytest.raises(StoreBusy):
        lock_store(tmp_path / "link" / "site.db")


def test_a_second_process_is_refused_and_told_whom_to_stop(tmp_path: Path) -> None:
    path = tmp_path / "site.db"
    ready, tell = os.pipe()
    pid = os.fork()
    if pid == 0:
        lock_store(path)
        os.write(tell, b"!")
        signal.pause()
        os._exit(0)
    try:
        assert os.read(ready, 1) == b"!"
        with pytest.raises(StoreBusy, match=f"process {pid} holds this store"):
            lock_store(path)
        with pytest.raises(StoreBusy):
            Store.open(path)
    finally:
        os.kill(pid, signal.SIGKILL)
        os.waitpid(pid, 0)
        os.close(ready)
        os.close(tell)
    with Store.open(path) as store:  # a death lets go
        store.put_reading(reading())
    assert seqs(path) == [1]


def test_a_refused_store_leaves_no_lock_behind(tmp_path: Path) -> None:
    path = tmp_path / "site.db"
    path.write_text("not a store")
    with pytest.raises(StoreError):
        Store.open(path)
    path.unlink()
    made_store(path)
