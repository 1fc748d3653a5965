"""SIGHUP: a changed site file is checked whole, taken between cycles, the old valves shut first; a bad one is told."""

from __future__ import annotations

import signal
from pathlib import Path

import pytest
from tests.system.rigs import daemon_on, rig_for, until, write_site

from lungfish.store import Archive

PATIENCE_S = 90.0
"""For a slow machine; what is awaited comes within seconds."""

pytestmark = pytest.mark.timeout(300)


def test_a_sound_file_is_taken_when_the_cycle_has_ended_and_every_valve_is_shut(tmp_path: Path) -> None:
    file = write_site(tmp_path, every="60 s")
    with rig_for(file) as rig, daemon_on(file, tmp_path / "log") as daemon:
        rig.wait_for_opening(within_s=PATIENCE_S)
        file.write_text(file.read_text(encoding="utf-8").replace("every: 60 s", "every: 10 s"), encoding="utf-8")
        daemon.process.send_signal(signal.SIGHUP)
        until(lambda: len(daemon.events("start")) == 2, PATIENCE_S)
        assert rig.open_now() == []
        first = daemon.events("reading")[0]
        assert first["quality"] == "good", "the cycle under way came to its own end"
        lines = [line.get("event") for line in daemon.lines()]
        begun_again = len(lines) - 1 - lines[::-1].index("start")
        assert "reading" in lines[:begun_again]
        rig.wait_for_opening(3, within_s=PATIENCE_S)  # at once, and then after 10 s: by the new file
        assert daemon.end(signal.SIGTERM) == 0
    with Archive(tmp_path / "site.db") as archive:
        assert next(row.diagnosis for row in archive.readings()) != "aborted"
        assert [event.kind for event in archive.events()].count("reload") == 1


@pytest.mark.parametrize("bad", ["every: soon", "every: 1 s", "evry: 60 s"])
def test_a_wrong_file_is_told_with_place_and_remedy_and_the_old_one_goes_on(tmp_path: Path, bad: str) -> None:
    file = write_site(tmp_path, every="10 s")
    with rig_for(file) as rig, daemon_on(file, tmp_path / "log") as daemon:
        until(lambda: daemon.events("start"), PATIENCE_S)
        file.write_text(file.read_text(encoding="utf-8").replace("every: 10 s", bad), encoding="utf-8")
        daemon.process.send_signal(signal.SIGHUP)
        until(lambda: daemon.events("reload"), PATIENCE_S)
        (told,) = daemon.events("reload")
        assert "the old one goes on" in told["text"]
        assert "site.yaml" in told["text"]
        rig.wait_for_opening(2, within_s=PATIENCE_S)
        assert len(daemon.events("start")) == 1
        assert daemon.end(signal.SIGTERM) == 0


def test_a_file_that_says_nothing_new_disturbs_nothing(tmp_path: Path) -> None:
    file = write_site(tmp_path, every="60 s")
    with rig_for(file), daemon_on(file, tmp_path / "log") as daemon:
        until(lambda: daemon.events("start"), PATIENCE_S)
        daemon.process.send_signal(signal.SIGHUP)
        until(lambda: daemon.events("reload"), PATIENCE_S)
        until(lambda: daemon.events("reading"), PATIENCE_S)
        assert len(daemon.events("start")) == 1
        assert daemon.events("reading")[0]["quality"] == "good"
        assert daemon.end(signal.SIGTERM) == 0


def test_another_valve_is_not_opened_before_the_old_one_is_confirmed_shut(tmp_path: Path) -> None:
    """The I/O block of the old valve dies while it is open: the old site file goes on, and goes on shutting."""
    (tmp_path / "old").mkdir()
    (tmp_path / "new").mkdir()
    old, new = write_site(tmp_path / "old", every="60 s"), write_site(tmp_path / "new", every="60 s")
    text = new.read_text(encoding="utf-8").replace("path: site.db", f"path: {tmp_path / 'old' / 'site.db'}")
    with rig_for(new) as new_rig, daemon_on(old, tmp_path / "log") as daemon:
        with rig_for(old) as old_rig:
            old_rig.wait_for_opening(within_s=PATIENCE_S)
            old.write_text(text, encoding="utf-8")
        daemon.process.send_signal(signal.SIGHUP)
        until(lambda: len(daemon.events("start")) == 2, PATIENCE_S)
        kept = [line for line in daemon.events("reload") if "the new site file is not taken" in line["text"]]
        assert len(kept) == 1
        assert new_rig.moves == []
        daemon.end(signal.SIGTERM)


def test_a_store_that_can_not_be_used_leaves_the_old_site_at_work(tmp_path: Path) -> None:
    file = write_site(tmp_path, every="10 s")
    (tmp_path / "other.db").write_text("no store", encoding="utf-8")
    (tmp_path / "other.db").chmod(0o400)
    with rig_for(file) as rig, daemon_on(file, tmp_path / "log") as daemon:
        rig.wait_for_opening(within_s=PATIENCE_S)
        text = file.read_text(encoding="utf-8").replace("path: site.db", "path: other-folder/other.db")
        (tmp_path / "other-folder").write_text("a file where a folder should be", encoding="utf-8")
        file.write_text(text, encoding="utf-8")
        daemon.process.send_signal(signal.SIGHUP)
        rig.wait_for_opening(2, within_s=PATIENCE_S)
        assert any("the old one goes on" in line["text"] for line in daemon.events("reload"))
        assert daemon.end(signal.SIGTERM) == 0
    with Archive(tmp_path / "site.db") as archive:
        assert len(list(archive.readings())) >= 2
