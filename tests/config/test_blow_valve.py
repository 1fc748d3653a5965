"""A blow valve of its own: where it is driven from, and what must be known of its air."""

from __future__ import annotations

from pathlib import Path

from lungfish.config import blow_setup, clear_setup, cycle_setup
from tests.config.samples import loaded, problems, spoilt

PLAIN = "clear: {pressure: 1.6 bar, delay: 1 s}\n    every: 10 min"
OWN = PLAIN.replace("}", ", valve: {link: panel, unit: 1, coil: COIL, max_open: 20 s}, flow: 6 L/min, supply: 1 bar}")


def site(clear: str) -> str:
    text = spoilt("every: 10 min", clear)
    return text.replace("span: [0 kPa, 60 kPa]", "span: [0 kPa, 60 kPa]\n      overload: 2 bar")


def test_it_is_one_of_the_site_s_valves_so_that_guard_start_and_shut_know_it(tmp_path: Path) -> None:
    assert list(loaded(site(OWN.replace("COIL", "5")), tmp_path).valves) == ["sump", "sump (blow valve)"]
    assert list(loaded(site(PLAIN), tmp_path).valves) == ["sump"]


def test_the_bounds_are_worked_out_with_its_own_air(tmp_path: Path) -> None:
    whole = loaded(site(OWN.replace("COIL", "5")), tmp_path)
    tank = whole.tanks["sump"]
    setup = blow_setup(tank, cycle_setup(whole, tank))
    assert setup.supply_gauge_pa == 1e5
    assert abs(setup.flow_pa_m3_s - 10.0) < 1e-9  # 6 L/min at 20 degC and 1 bar: 1e-4 m3/s of 1e5 Pa
    assert setup.max_open_s == 20.0
    allowed = clear_setup(tank)
    assert allowed is not None
    assert allowed.limit_pa == 160e3  # the lower of 1.6 bar and what the transmitter bears


def test_two_valves_on_one_coil_are_refused(tmp_path: Path) -> None:
    (clash,) = problems(site(OWN.replace("COIL", "0")), tmp_path)
    assert clash.key == "tanks.sump.clear.valve.coil"
    assert "same address" in clash.wrong


def test_a_link_that_does_not_exist_is_told_at_its_place(tmp_path: Path) -> None:
    text = site(OWN.replace("COIL", "5").replace("valve: {link: panel", "valve: {link: pannel"))
    (wrong,) = problems(text, tmp_path)
    assert (wrong.key, wrong.right) == ("tanks.sump.clear.valve.link", "did you mean `panel`?")


def test_its_flow_must_be_stated_and_without_it_no_air_may_be(tmp_path: Path) -> None:
    (missing,) = problems(site(OWN.replace("COIL", "5").replace(", flow: 6 L/min", "")), tmp_path)
    assert missing.key == "tanks.sump.clear.flow"
    (extra,) = problems(site(PLAIN.replace("}", ", supply: 1 bar}")), tmp_path)
    assert extra.key == "tanks.sump.clear.supply"


def test_a_flow_that_no_shutting_can_keep_up_with_is_refused(tmp_path: Path) -> None:
    text = site(OWN.replace("COIL", "5").replace("6 L/min", "60 L/min").replace("supply: 1 bar", "supply: 4 bar"))
    (wrong,) = problems(text, tmp_path)
    assert wrong.key == "tanks.sump.clear.pressure"
    assert "no pulse could begin" in wrong.wrong
