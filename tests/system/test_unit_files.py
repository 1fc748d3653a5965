"""The unit file does what the documents say of it, with the daemon's own times in mind."""

from __future__ import annotations

import subprocess
import sys
import tomllib
from collections import defaultdict
from pathlib import Path

import pytest
from tests.repo.house import ROOT

from lungfish.app import daemon, house, tank_loop
from lungfish.app.installation import DROP_INS
from lungfish.cli.main import main

UNIT = ROOT / "systemd" / "lungfish.service"


def settings() -> dict[str, list[str]]:
    """Settings of the unit by name; sections do not matter here."""
    found: dict[str, list[str]] = defaultdict(list)
    for line in UNIT.read_text(encoding="utf-8").splitlines():
        if line and line[0] not in "#[":
            name, _, value = line.partition("=")
            found[name].append(value)
    return found


def seconds(text: str) -> float:
    """A duration as the unit writes it."""
    assert text.endswith("s")
    return float(text[:-1])


@pytest.mark.parametrize(("setting", "command"), [("ExecStart", "run"), ("ExecStopPost", "shut")])
def test_start_and_stop_run_commands_that_exist_on_the_same_site(setting: str, command: str) -> None:
    (line,) = settings()[setting]
    program, dash_m, package, word, site, *_ = line.split()
    assert (program.rsplit("/", 1)[1], dash_m, package, word) == ("python", "-m", "lungfish", command)
    assert site == settings()["ExecStart"][0].split()[4]
    with pytest.raises(SystemExit) as left:
        main([word, "--help"])
    assert left.value.code == 0


def test_a_daemon_that_dies_is_started_again_for_ever() -> None:
    unit = settings()
    assert unit["Restart"] == ["always"]
    assert unit["StartLimitIntervalSec"] == ["0"], "else a few quick deaths leave the tanks unread"


def test_a_wrong_site_file_is_not_tried_again() -> None:
    assert settings()["RestartPreventExitStatus"] == ["2"]


def test_the_daemon_has_time_to_shut_every_valve_before_it_is_killed() -> None:
    own_s = daemon._STOP_WITHIN_S + daemon._SHUT_WITHIN_S + daemon._SETTLE_S + house._SETTLE_S  # noqa: SLF001 - its times
    assert seconds(settings()["TimeoutStopSec"][0]) > own_s + 10.0


def test_the_watchdog_waits_longer_than_a_tank_may_be_silent() -> None:
    assert settings()["Type"] == ["notify"]
    assert seconds(settings()["WatchdogSec"][0]) > tank_loop._NEXT_EVENT_S  # noqa: SLF001 - the daemon's own time


def _placed(folder: Path, drop_in: str | None = None) -> Path:
    """The unit with programs that are there, and at most one of its drop-ins."""
    unit = folder / "lungfish.service"
    text = UNIT.read_text(encoding="utf-8").replace("/usr/local/lib/lungfish/bin/python", sys.executable)
    unit.write_text(text, encoding="utf-8")
    if drop_in is not None:
        (folder / "lungfish.service.d").mkdir()
        text = (UNIT.parent / "lungfish.service.d" / f"{drop_in}.conf").read_text(encoding="utf-8")
        (folder / "lungfish.service.d" / f"{drop_in}.conf").write_text(text, encoding="utf-8")
    return unit


def _analyze(*words: str | Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(["systemd-analyze", *words], capture_output=True, text=True, check=False)


@pytest.mark.needs_systemd
@pytest.mark.parametrize("drop_in", [None, "loopback", "serial", "gpio", "credentials"])
def test_systemd_finds_nothing_to_say_of_the_unit(tmp_path: Path, drop_in: str | None) -> None:
    done = _analyze("verify", _placed(tmp_path, drop_in))
    assert (done.returncode, done.stdout + done.stderr) == (0, ""), "it returns 0 even for a key that it does not know"


@pytest.mark.needs_systemd
def test_systemd_would_tell_of_a_key_that_it_does_not_know(tmp_path: Path) -> None:
    unit = _placed(tmp_path)
    unit.write_text(unit.read_text(encoding="utf-8").replace("NoNewPrivileges=", "NoNewPrivilege="), encoding="utf-8")
    assert "NoNewPrivilege" in _analyze("verify", unit).stderr


@pytest.mark.needs_systemd
@pytest.mark.parametrize(("drop_in", "at_most"), [("loopback", 1.5), (None, 1.5), ("serial", 1.5), ("gpio", 1.5)])
def test_the_unit_exposes_little(tmp_path: Path, drop_in: str | None, at_most: float) -> None:
    unit = _placed(tmp_path, drop_in)
    done = _analyze("security", "--offline=true", "--no-pager", f"--threshold={round(10 * at_most)}", unit)
    print(done.stdout.splitlines()[-1])
    assert done.returncode == 0, done.stdout + done.stderr


def test_what_is_installed_is_in_the_package() -> None:
    """A wheel without it could install nothing."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    package = ROOT / "daemon" / "lungfish"
    packed = {
        file for pattern in project["tool"]["setuptools"]["package-data"]["lungfish"] for file in package.glob(pattern)
    }
    here = package / "systemd"
    assert here.resolve() == UNIT.parent
    needed = [here / name for name in ("lungfish.service", "lungfish.sysusers.conf", "lungfish.tmpfiles.conf")]
    needed += [here / "lungfish.service.d" / f"{name}.conf" for name in DROP_INS]
    assert [file for file in needed if file not in packed] == []
