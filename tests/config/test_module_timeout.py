"""Which valves only this computer can shut is known, and told."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from lungfish.cli.main import main
from lungfish.config import load_site
from lungfish.config.valve_model import valves_shut_by_this_computer_alone
from tests.system.rigs import write_site


def site_with(folder: Path, key: str) -> Path:
    file = write_site(folder, tanks=2)
    text = file.read_text(encoding="utf-8")
    file.write_text(text.replace("coil: 0, max_open: 8 s", f"coil: 0, max_open: 8 s{key}"), encoding="utf-8")
    return file


def test_a_stated_time_out_is_a_layer_outside_this_computer(tmp_path: Path) -> None:
    site = load_site(site_with(tmp_path, ", module_timeout: 4 s"))
    assert site.valves["t0"].outside_bound_s == 4.0
    assert valves_shut_by_this_computer_alone(site.valves) == ["t1"]


def test_a_vent_valve_needs_one_as_well(tmp_path: Path) -> None:
    site = load_site(write_site(tmp_path, vented=True, every="60 s"))
    assert valves_shut_by_this_computer_alone(site.valves) == ["t0", "t0 (vent valve)"]


def test_check_says_which_valves_stay_open_when_this_computer_dies(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = site_with(tmp_path, ", module_timeout: 4 s")
    assert main(["check", str(file)]) == 0
    told = " ".join(capsys.readouterr().out.split())
    assert "nothing outside this computer is known to shut t1: should computer, network or link die" in told
    assert "if this computer dies 4 s by the I/O block" in told
    assert main(["check", "--json", str(file)]) == 0
    assert json.loads(capsys.readouterr().out)["shut_by_this_computer_alone"] == ["t1"]
    text = file.read_text(encoding="utf-8").replace(
        "coil: 1, max_open: 8 s", "coil: 1, max_open: 8 s, module_timeout: 9 s"
    )
    file.write_text(text, encoding="utf-8")
    assert main(["check", str(file)]) == 0
    assert "nothing outside this computer" not in capsys.readouterr().out


@pytest.mark.parametrize("wrong", ["10", "0 s", "2 day", "soon"])
def test_a_time_out_that_can_be_none_is_refused_with_its_place(
    tmp_path: Path, wrong: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["check", str(site_with(tmp_path, f", module_timeout: {wrong}"))]) == 2
    assert "tanks.t0.valve.module_timeout" in capsys.readouterr().err
