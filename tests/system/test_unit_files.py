"""The unit file does what the documents say of it, with the daemon's own times in mind."""

from __future__ import annotations

from collections import defaultdict

import pytest
from tests.repo.house import ROOT

from lungfish.app import daemon, house, tank_loop
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
