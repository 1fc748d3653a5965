"""`budget`, `specific_power`, `tariff` and `rated_operations` in the site file."""

from __future__ import annotations

from pathlib import Path

import pytest

from lungfish.config import cycle_setup
from lungfish.config.budget import largest_purge_m3
from lungfish.core.air_budget import Limits
from tests.config.samples import GOOD, loaded, problems

LAST = GOOD.count("\n")
SIMULTANEOUS = "  simultaneous: 1\n"


def with_air(extra: str) -> str:
    return GOOD.replace(SIMULTANEOUS, f"{SIMULTANEOUS}  {extra}\n")


def with_tank(budget: str) -> str:
    return f"{GOOD}    budget: {budget}\n"


def test_without_the_keys_there_is_no_limit_but_a_short_rest(tmp_path: Path) -> None:
    site = loaded(GOOD, tmp_path)
    assert site.air.budget == Limits()
    assert site.tanks["sump"].budget == Limits(rest_s=2.0)
    assert site.tanks["sump"].valve.rated_operations is None
    assert not any("budget" in default for default in site.defaults)


def test_what_is_written_becomes_si(tmp_path: Path) -> None:
    text = with_air("budget: {purges_per_hour: 12, per_day: 200 L, rest: 10 s}")
    text = f"{text}    budget: {{purges_per_hour: 6, per_day: 0.05 m**3}}\n".replace(
        "max_open: 90 s", "max_open: 90 s, rated_operations: 1000000"
    )
    site = loaded(text, tmp_path)
    assert site.warnings == ()
    shared, own = site.air.budget, site.tanks["sump"].budget
    assert (shared.purges_per_hour, shared.rest_s, own.purges_per_hour, own.rest_s) == (12, 10.0, 6, 2.0)
    assert [shared.air_per_day_m3, own.air_per_day_m3] == pytest.approx([0.2, 0.05])
    assert site.tanks["sump"].valve.rated_operations == 1_000_000


def test_a_budget_does_not_make_what_was_learned_of_a_tube_another_tubes(tmp_path: Path) -> None:
    plain, limited = loaded(GOOD, tmp_path), loaded(with_tank("{purges_per_hour: 6}"), tmp_path)
    assert cycle_setup(plain, plain.tanks["sump"]) == cycle_setup(limited, limited.tanks["sump"])


@pytest.mark.parametrize(
    ("written", "joule_m3"),
    [
        ("0.12 kWh/m**3", 432_000.0),  # 0.12 x 3.6 MJ
        ("120 Wh/m3", 432_000.0),
        ("7.2 kW*min/m**3", 432_000.0),  # 7.2 kW for 1 m3/min, as data sheets state it: 7.2 kJ/s x 60 s
        ("432 kJ/m**3", 432_000.0),
    ],
)
def test_specific_power_by_hand(tmp_path: Path, written: str, joule_m3: float) -> None:
    assert loaded(with_air(f"specific_power: {written}"), tmp_path).air.cost.energy_j_m3 == pytest.approx(joule_m3)


@pytest.mark.parametrize(
    ("written", "price_kwh", "currency"),
    [("0.30 EUR/kWh", 0.30, "EUR"), ("0.25 /kWh", 0.25, ""), ("1 £/kWh", 1.0, "£"), ("25ct / kWh", 25.0, "ct")],
)
def test_the_tariff_is_a_price_with_or_without_a_currency(
    tmp_path: Path, written: str, price_kwh: float, currency: str
) -> None:
    cost = loaded(with_air(f"tariff: {written}"), tmp_path).air.cost
    assert cost.price_per_j * 3.6e6 == pytest.approx(price_kwh)
    assert cost.currency == currency


def test_what_is_assumed_of_energy_and_money(tmp_path: Path) -> None:
    cost = loaded(GOOD, tmp_path).air.cost
    assert cost.energy_j_m3 == pytest.approx(0.12 * 3.6e6)
    assert cost.price_per_j * 3.6e6 == pytest.approx(0.25)
    assert cost.currency == ""


def test_the_largest_purge_by_hand(tmp_path: Path) -> None:
    """1.5 L/min for the 90 s that the valve may be open are 2.25 L."""
    site = loaded(GOOD, tmp_path)
    assert largest_purge_m3(site.tanks["sump"], site.air) == pytest.approx(2.25e-3)


@pytest.mark.parametrize(
    ("budget", "key", "wrong", "right"),
    [
        ("{purges_per_hour: 0}", "purges_per_hour", "0", "1"),
        ("{purges_per_hour: 2.5}", "purges_per_hour", "2.5", "whole number"),
        ("{per_day: 200}", "per_day", "no unit", "`per_day: 200 L`"),
        ("{per_day: 200 bar}", "per_day", "not a unit of volume", "`L`"),
        ("{per_day: 2 L}", "per_day", "one purge of sump may take 2.25 L", "at least 2.3 L"),
        ("{rest: 2 h}", "rest", "outside", "from 0 s to 1 h"),
        ("{supply_wait: 5 min}", "supply_wait", "nothing says whether the supply is there", "`inputs.supply`"),
        ("{rests: 2 s}", "rests", "unknown key", "`rest`"),
    ],
)
@pytest.mark.parametrize("where", ["air", "tank"])
def test_a_bad_budget_is_told(tmp_path: Path, where: str, budget: str, key: str, wrong: str, right: str) -> None:
    text = with_air(f"budget: {budget}") if where == "air" else with_tank(budget)
    (found,) = problems(text, tmp_path)
    if where == "air":
        assert (found.key, found.line) == (f"air.budget.{key}", 13)
    else:
        assert (found.key, found.line) == (f"tanks.sump.budget.{key}", LAST + 1)
    assert wrong in found.wrong
    assert right in found.right


@pytest.mark.parametrize(
    ("extra", "key", "wrong", "right"),
    [
        ("specific_power: 0.12", "specific_power", "no unit", "`specific_power: 0.12 kWh/m**3`"),
        ("specific_power: 7 kW", "specific_power", "not a unit of energy of a volume of air", "`kWh/m**3`"),
        ("specific_power: 50 kWh/m**3", "specific_power", "outside", "2 kWh/m**3"),
        ("tariff: 0.25", "tariff", "0.25", "`tariff: 0.25 EUR/kWh`"),
        ("tariff: 0.25 EUR", "tariff", "no price of energy", "`tariff: 0.25 EUR/kWh`"),
        ("tariff: 0,25 EUR/kWh", "tariff", "no price of energy", "`tariff: 0.25 EUR/kWh`"),
    ],
)
def test_bad_costs_are_told(tmp_path: Path, extra: str, key: str, wrong: str, right: str) -> None:
    (found,) = problems(with_air(extra), tmp_path)
    assert (found.key, found.line) == (f"air.{key}", 13)
    assert wrong in found.wrong
    assert right in found.right


@pytest.mark.parametrize(("written", "wrong"), [("0", "0"), ("1e6", "1e6"), ("many", "many")])
def test_bad_rated_operations_are_told(tmp_path: Path, written: str, wrong: str) -> None:
    text = GOOD.replace("max_open: 90 s", f"max_open: 90 s, rated_operations: {written}")
    (found,) = problems(text, tmp_path)
    assert found.key == "tanks.sump.valve.rated_operations"
    assert wrong in found.wrong


@pytest.mark.parametrize("where", ["air", "tank"])
def test_a_budget_below_what_every_asks_for_is_called_unwise(tmp_path: Path, where: str) -> None:
    budget = "{purges_per_hour: 5}"
    text = with_air(f"budget: {budget}") if where == "air" else with_tank(budget)
    (warning,) = loaded(text, tmp_path).warnings
    assert warning.key.endswith("budget.purges_per_hour")
    assert "asks for 6 purges an hour" in warning.wrong
    assert "longer `every`" in warning.right


def test_a_budget_below_what_the_busiest_hours_ask_for_is_called_unwise(tmp_path: Path) -> None:
    schedule = '    schedule: [{from: "06:00", to: "09:00", every: 5 min}]\n'
    (warning,) = loaded(with_tank("{purges_per_hour: 10}") + schedule, tmp_path).warnings
    assert "`schedule` asks for 12 purges an hour" in warning.wrong
    assert loaded(with_tank("{purges_per_hour: 12}") + schedule, tmp_path).warnings == ()


def test_the_wait_for_the_supply_becomes_si(tmp_path: Path) -> None:
    text = f"{with_tank('{supply_wait: 5 min}')}    inputs: {{supply: {{link: panel, unit: 1, input: 0}}}}\n"
    assert loaded(text, tmp_path).tanks["sump"].budget == Limits(rest_s=2.0, supply_wait_s=300.0)
