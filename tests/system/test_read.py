"""`read` and `shut` as a technician meets them: real processes, real Modbus TCP, and what they say when it fails."""

from __future__ import annotations

import json
import re
import signal
import socket
import subprocess
import sys
from pathlib import Path

import pytest
from tests.system.rigs import LEVEL_M, lungfish, rig_for, until, write_site

from lungfish.store import Archive


def test_a_reading_is_right_knows_how_right_and_is_kept(tmp_path: Path) -> None:
    file = write_site(tmp_path, tanks=2)
    with rig_for(file, tanks=2) as rig:
        done = lungfish("read", file, "t1", "--json")
        assert (done.returncode, done.stderr) == (0, "")
        moved = {tank for tank, _, _ in rig.moves}
        assert rig.open_now() == []
    assert moved == {"t1"}  # no other tank's valve was touched open
    told = json.loads(done.stdout)
    # the stage standard: 3 mm, here tighter than 0.2 % of the level (0.01 ft, USGS Techniques and Methods 3-A7)
    assert told["level_m"] == pytest.approx(LEVEL_M, abs=0.003)
    assert abs(told["level_m"] - LEVEL_M) < told["level_u_m"]
    # water of 998.2 kg/m3 to 0.55 m above the tip, by hand: 998.2 x 9.81 x 0.55 = 5386 Pa
    assert told["head_pa"] == pytest.approx(5386.0, abs=30.0)
    # a cylinder of 1.2 m: pi/4 1.2^2 0.6 = 0.6786 m3, by hand
    assert told["volume_m3"] == pytest.approx(0.6786, abs=0.004)
    assert (told["quality"], told["diagnosis"], told["k"]) == ("good", "ok", 2.0)
    lines = told["evidence"]["budget"]["contributions"]
    combined = sum(line["effect"] ** 2 for line in lines) ** 0.5
    assert told["level_u_m"] == pytest.approx(2.0 * combined)
    with Archive(tmp_path / "site.db") as archive:
        (row,) = archive.readings()
        assert row.level_m == told["level_m"]
        assert archive.learned("t1") is not None  # the next one starts from what this one found out


def test_a_reading_for_people_shows_level_uncertainty_and_what_they_rest_on(tmp_path: Path) -> None:
    file = write_site(tmp_path)
    with rig_for(file):
        done = lungfish("read", file, "t0")
    assert done.returncode == 0
    for words in ("level", "± ", "(k = 2) above the tank floor", "quality      good", "friction", "tip height", "Pa"):
        assert words in done.stdout
    assert max(len(line) for line in done.stdout.splitlines()) <= 100


def test_with_nobody_there_it_fails_with_the_reason_and_claims_nothing(tmp_path: Path) -> None:
    file = write_site(tmp_path, tanks=2)
    done = lungfish("read", file, "t0", "--json")
    assert done.returncode == 3
    told = json.loads(done.stdout)
    assert (told["level_m"], told["volume_m3"], told["quality"], told["diagnosis"]) == (None, None, "bad", "link_lost")
    assert "not confirmed shut and may be open" in done.stderr
    shut = lungfish("shut", file)
    assert shut.returncode == 3
    for tank in ("t0", "t1"):
        assert f"{tank}: NOT confirmed shut: link panel" in shut.stderr
    assert "Traceback" not in done.stderr + shut.stderr


def test_an_unknown_tank_is_named_with_the_nearest_known_one(tmp_path: Path) -> None:
    done = lungfish("read", write_site(tmp_path), "t00")
    assert done.returncode == 2
    assert "`t00`" in done.stderr
    assert "`t0`" in done.stderr
    assert not (tmp_path / "site.db").exists()


def test_interrupted_it_shuts_the_valve_and_keeps_the_row(tmp_path: Path) -> None:
    file = write_site(tmp_path)
    with rig_for(file) as rig:
        reading = subprocess.Popen(
            [sys.executable, "-m", "lungfish", "read", str(file), "t0"],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        rig.wait_for_opening()
        reading.send_signal(signal.SIGINT)
        out, err = reading.communicate(timeout=30.0)
        until(lambda: rig.open_now() == [], 1.0)
    assert reading.returncode == 1
    assert "aborted" in out
    assert "Traceback" not in err
    with Archive(tmp_path / "site.db") as archive:
        assert [row.diagnosis for row in archive.readings()] == ["aborted"]


def test_shut_works_with_a_broken_store_and_with_one_panel_of_two_out(tmp_path: Path) -> None:
    file = write_site(tmp_path, tanks=2)
    (tmp_path / "site.db").write_bytes(b"rotten" * 1000)
    text = file.read_text()
    spare = "  spare: {kind: modbus-tcp, host: 127.0.0.1, port: 9, timeout: 300 ms}\n"
    with rig_for(file, tanks=2) as rig:
        for unit, coil in ((1, 0), (2, 1)):
            _open(text, unit, coil)
        until(lambda: len(rig.open_now()) == 2, 5.0)
        done = lungfish("shut", file)
        assert (done.returncode, done.stderr) == (0, "")
        until(lambda: rig.open_now() == [], 1.0)
        _open(text, 1, 0)
        until(lambda: rig.open_now() == ["t0"], 5.0)
        two = file.with_name("two.yaml")
        valve = "valve: {link: panel, unit: 2"
        two_links = text.replace("links: {", "links:\n  panel: {").replace("panel: {panel: ", "panel: ")
        two_links = two_links.replace("}}\nair:", "}\n" + spare + "air:").replace(valve, "valve: {link: spare, unit: 2")
        two.write_text(two_links)
        done = lungfish("shut", two)
        assert done.returncode == 3
        assert done.stdout == "t0: confirmed shut\n"
        assert done.stderr.startswith("t1: NOT confirmed shut: link spare")
        assert rig.open_now() == []


def _open(site_text: str, unit: int, coil: int) -> None:
    """Open a valve as another master on the network would: write single coil (function 5), by hand."""
    found = re.search(r"port: (\d+)", site_text)
    assert found is not None
    with socket.create_connection(("127.0.0.1", int(found[1])), 5.0) as connection:
        connection.sendall(bytes((0, 1, 0, 0, 0, 6, unit, 5, 0, coil, 0xFF, 0)))
        assert connection.recv(64)[7] == 5


def test_shut_with_a_bad_site_file_says_that_nothing_was_shut(tmp_path: Path) -> None:
    file = write_site(tmp_path)
    file.write_text(file.read_text().replace("max_open", "max_opn"))
    done = lungfish("shut", file)
    assert done.returncode == 3
    assert "did you mean" in done.stderr
    assert "no valve was shut" in done.stderr
