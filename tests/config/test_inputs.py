"""Optional inputs and transmitters read as a current: what is refused, and what the sound ones mean."""
# ruff: noqa: E501 - a table is read row by row, one a line

from __future__ import annotations

from pathlib import Path

import pytest

from lungfish.config import Bit, InputsSpec, PressureLimitSpec, Site, SwitchSpec, cycle_setup
from lungfish.config.current import current_ma, failure_limits_pa
from tests.config.samples import GOOD, loaded, problems, spoilt

LINE = GOOD.count("\n") + 1
HERE = "link: panel, unit: 1"
REGISTER = "register: 4, table: input, format: float32, reads_in: bar, at_least: 2 bar"

# what stands under `inputs` of the site; the key, a part of what was wrong, a part of what would be right
SHARED: list[tuple[str, str, str, str]] = [
    (
        "{supply: {link: panel, unit: 1}}",
        "inputs.supply",
        "does not say where",
        "one of `input`, `coil` and `register`",
    ),
    (f"{{supply: {{{HERE}, input: 0, coil: 1}}}}", "inputs.supply", "`input` and `coil` are stated", "one of"),
    (
        f"{{supply: {{{HERE}, input: 0, at_least: 2 bar}}}}",
        "inputs.supply.at_least",
        "`input` is one bit",
        "read a `register`",
    ),
    (f"{{supply: {{{HERE}, coil: 7, format: int16}}}}", "inputs.supply.format", "`coil` is one bit", "delete it"),
    (
        f"{{supply: {{{HERE}, register: 4, table: input, format: float32, reads_in: bar}}}}",
        "inputs.supply.at_least",
        "is missing",
        "`at_least: 2 bar`",
    ),
    (
        f"{{supply: {{{HERE}, register: 4, at_least: 2 bar}}}}",
        "inputs.supply.format",
        "is missing",
        "`format: float32`",
    ),
    (
        f"{{supply: {{{HERE}, {REGISTER}, active: low}}}}",
        "inputs.supply.active",
        "turns a bit round",
        "`at_least` is the limit",
    ),
    (f"{{supply: {{{HERE}, {REGISTER}, scale: 0}}}}", "inputs.supply.scale", "every pressure the same", "one count"),
    (
        f"{{supply: {{{HERE}, {REGISTER.replace('at_least: 2 bar', 'at_least: 3.2 bar')}}}}}",
        "inputs.supply.at_least",
        "missing for ever",
        "less than 300 kPa",
    ),
    (
        f"{{supply: {{{HERE}, {REGISTER.replace('register: 4', 'register: 65535')}}}}}",
        "inputs.supply.register",
        "beyond 65535",
        "65534 or less",
    ),
    (
        f"{{supply: {{{HERE}, {REGISTER.replace('register: 4', 'register: 1')}}}}}",
        "tanks.sump.transmitter.register",
        "the same input registers",
        "its own address",
    ),
    (
        f"{{supply: {{{HERE}, {REGISTER.replace('at_least: 2 bar', 'at_least: 2')}}}}}",
        "inputs.supply.at_least",
        "no unit",
        "`at_least: 2 bar`",
    ),
    ("{supply: {link: pannel, unit: 1, input: 0}}", "inputs.supply.link", "no link `pannel`", "`panel`"),
    ("{supply: {link: panel, unit: 1, input: 0, activ: low}}", "inputs.supply.activ", "unknown key", "`active`"),
    ("{supply: {link: panel, unit: 1, input: on}}", "inputs.supply.input", "`on`", "quotes"),
    ("{supply: {link: panel, unit: 1, input: 0, active: closed}}", "inputs.supply.active", "`closed`", "high | low"),
    ("{flow: {link: panel, unit: 1, input: 0}}", "inputs.flow", "one tank", "`inputs` of that tank"),
    ("{supply: yes}", "inputs.supply", "`yes`", "quotes"),
]

# the same of the tank
OWN: list[tuple[str, str, str, str]] = [
    ("{flow: {link: panel, unit: 1}}", "tanks.sump.inputs.flow", "does not say where", "`input` and `coil`"),
    ("{flow: {link: panel, unit: 1, input: 0, coil: 1}}", "tanks.sump.inputs.flow", "both stated", "`input` and `coil`"),
    ("{flow: {link: panel, unit: 1, coil: 0}}", "tanks.sump.inputs.flow.coil", "the same coils", "its own address"),
    ("{flow: {link: panel, unit: 1, input: 3}, supply: {link: panel, unit: 1, input: 3}}", "tanks.sump.inputs.flow.input", "the same discrete inputs", "its own address"),
    ("{flow: {link: panel, unit: 1, input: 0, response: 2 min}}", "tanks.sump.inputs.flow.response", "outside", "0 s to 60 s"),
    ("{flow: {link: panel, unit: 1, register: 0}}", "tanks.sump.inputs.flow.register", "unknown key", "belongs under"),
]  # fmt: skip


def with_shared(inputs: str) -> str:
    return GOOD + f"inputs: {inputs}\n"


def with_own(inputs: str) -> str:
    return GOOD + f"    inputs: {inputs}\n"


def site_of(text: str, folder: Path) -> Site:
    return loaded(text, folder)


@pytest.mark.parametrize(("inputs", "key", "wrong", "right"), SHARED)
def test_what_is_wrong_with_the_inputs_of_a_site_is_told(
    tmp_path: Path, inputs: str, key: str, wrong: str, right: str
) -> None:
    found = problems(with_shared(inputs), tmp_path)
    assert any(key == each.key and wrong in each.wrong and right in each.right for each in found), found


@pytest.mark.parametrize(("inputs", "key", "wrong", "right"), OWN)
def test_what_is_wrong_with_the_inputs_of_a_tank_is_told(
    tmp_path: Path, inputs: str, key: str, wrong: str, right: str
) -> None:
    found = problems(with_own(inputs), tmp_path)
    assert any(
        key == each.key and wrong in each.wrong and right in each.right and each.line == LINE for each in found
    ), found


def test_without_inputs_there_are_none(tmp_path: Path) -> None:
    assert site_of(GOOD, tmp_path).tanks["sump"].inputs == InputsSpec()


def test_a_shared_supply_is_every_tanks_unless_it_has_its_own(tmp_path: Path) -> None:
    shared = SwitchSpec(link="panel", unit=1, bit=Bit.INPUT, address=9, active_value=0)
    text = with_shared("{supply: {link: panel, unit: 1, input: 9, active: low}}")
    assert site_of(text, tmp_path).tanks["sump"].inputs == InputsSpec(supply=shared)
    own = with_own("{supply: {link: panel, unit: 1, coil: 5}}") + "inputs: {supply: {link: panel, unit: 1, input: 9}}\n"
    supply = site_of(own, tmp_path).tanks["sump"].inputs.supply
    assert supply == SwitchSpec(link="panel", unit=1, bit=Bit.COIL, address=5, active_value=1)


def test_a_supply_pressure_becomes_a_limit_in_si(tmp_path: Path) -> None:
    text = with_shared(
        "{supply: {link: panel, unit: 2, register: 4, table: holding, format: int16, scale: 0.1, reads_in: psi, offset: -5 kPa, at_least: 20 psi}}"
    )
    supply = site_of(text, tmp_path).tanks["sump"].inputs.supply
    assert isinstance(supply, PressureLimitSpec)
    assert supply.scale_pa == pytest.approx(689.4757, rel=1e-6)  # 1 psi = 6894.757 Pa (NIST SP 811, appendix B.8)
    assert supply.at_least_gauge_pa == pytest.approx(137895.1, rel=1e-6)
    assert (supply.offset_gauge_pa, supply.register, supply.unit) == (-5000.0, 4, 2)


def test_a_flow_switchs_response_reaches_the_cycle_and_a_long_one_is_called_unwise(tmp_path: Path) -> None:
    site = site_of(with_own("{flow: {link: panel, unit: 1, input: 1, response: 1500 ms}}"), tmp_path)
    assert cycle_setup(site, site.tanks["sump"]).flow_response_s == 1.5
    assert [(warning.key, warning.line) for warning in site.warnings] == [("tanks.sump.inputs.flow.response", LINE)]
    usual = site_of(with_own("{flow: {link: panel, unit: 1, input: 1}}"), tmp_path)
    assert cycle_setup(usual, usual.tanks["sump"]).flow_response_s == 0.4
    assert usual.warnings == ()
    assert any("tanks.sump.inputs.flow.response: 400 ms" in default for default in usual.defaults)


def test_a_limit_that_lets_a_weak_supply_pass_is_called_unwise(tmp_path: Path) -> None:
    site = site_of(with_shared(f"{{supply: {{{HERE}, {REGISTER.replace('2 bar', '0.3 bar')}}}}}"), tmp_path)
    (warning,) = site.warnings
    assert (warning.key, warning.line) == ("inputs.supply.at_least", LINE)
    assert "30 kPa can't push the air out under a full `sump`" in warning.wrong


def test_a_link_that_only_an_input_uses_is_used(tmp_path: Path) -> None:
    text = with_shared("{supply: {link: yard, unit: 1, input: 9}}").replace(
        "air:\n", "  yard: {kind: modbus-tcp, host: 127.0.0.2}\nair:\n"
    )
    assert site_of(text, tmp_path).warnings == ()


# -- a transmitter read as a current -----------------------------------------------------------------------------------


def current(extra: str = "", span: str = "[0 kPa, 60 kPa]", form: str = "float32") -> str:
    return spoilt("reads_in: Pa", f"reads_in: mA{extra}").replace("[0 kPa, 60 kPa]", span).replace("float32", form)


@pytest.mark.parametrize(
    ("milliamperes", "gauge_pa"), [(4.0, 0.0), (20.0, 60e3), (12.0, 30e3), (3.8, -750.0), (20.5, 61_875.0)]
)
def test_four_to_twenty_milliamperes_are_the_span(tmp_path: Path, milliamperes: float, gauge_pa: float) -> None:
    """IEC 60381-1: 4 to 20 mA; 3.8 and 20.5 mA are the edges of measuring by NAMUR NE 43."""
    spec = site_of(current(), tmp_path).tanks["sump"].transmitter
    assert spec.offset_gauge_pa + spec.scale_pa * milliamperes == pytest.approx(gauge_pa, abs=1e-6)
    assert current_ma(spec, gauge_pa) == pytest.approx(milliamperes)


@pytest.mark.parametrize(
    ("milliamperes", "failed"), [(3.5, True), (3.6, True), (3.601, False), (20.999, False), (21.0, True), (22.0, True)]
)
@pytest.mark.parametrize("span", ["[0 kPa, 60 kPa]", "[-1.3 kPa, 71.7 kPa]"])
def test_the_limits_of_failure_are_failures(tmp_path: Path, milliamperes: float, failed: bool, span: str) -> None:
    """NAMUR NE 43: 3.6 mA and less, 21 mA and more."""
    site = site_of(current(span=span), tmp_path)
    spec, setup = site.tanks["sump"].transmitter, cycle_setup(site, site.tanks["sump"])
    gauge_pa = spec.offset_gauge_pa + spec.scale_pa * milliamperes
    assert setup.fail_low_pa is not None
    assert setup.fail_high_pa is not None
    assert (gauge_pa <= setup.fail_low_pa or gauge_pa >= setup.fail_high_pa) is failed


def test_counts_with_a_live_zero_are_turned_into_current_first(tmp_path: Path) -> None:
    """0 counts at 4 mA, 16,000 at 20 mA."""
    spec = (
        site_of(current("\n      scale: 0.001\n      offset: 4 mA", form="int32"), tmp_path).tanks["sump"].transmitter
    )
    assert spec.offset_gauge_pa == pytest.approx(0.0, abs=1e-9)
    assert spec.offset_gauge_pa + 16_000 * spec.scale_pa == pytest.approx(60e3)


def test_what_is_read_as_a_pressure_signals_no_failure(tmp_path: Path) -> None:
    site = site_of(GOOD, tmp_path)
    setup = cycle_setup(site, site.tanks["sump"])
    assert (setup.fail_low_pa, setup.fail_high_pa) == (None, None)
    assert failure_limits_pa(site.tanks["sump"].transmitter) == (None, None)


def test_an_offset_in_the_wrong_quantity_is_told(tmp_path: Path) -> None:
    (found,) = problems(current("\n      offset: 1 kPa"), tmp_path)
    assert found.key == "tanks.sump.transmitter.offset"
    assert "it is a pressure and the result is in mA" in found.wrong
    (found,) = problems(spoilt("reads_in: Pa", "reads_in: Pa\n      offset: 4 mA"), tmp_path)
    assert "it is a current and the result is in Pa" in found.wrong


def test_a_number_that_hides_the_failure_signal_is_called_unwise(tmp_path: Path) -> None:
    """Unsigned counts from 4 mA on can't go below it."""
    site = site_of(current("\n      scale: 0.001\n      offset: 4 mA", form="uint16"), tmp_path)
    (warning,) = site.warnings
    assert warning.key == "tanks.sump.transmitter.format"
    assert "runs from 4 to 69.53 mA" in warning.wrong
    assert "can't be told" in warning.wrong


@pytest.mark.parametrize("written", ["A", "ma", "uA", "milliampere"])
def test_other_words_for_milliampere_are_told(tmp_path: Path, written: str) -> None:
    (found,) = problems(spoilt("reads_in: Pa", f"reads_in: {written}"), tmp_path)
    assert found.key == "tanks.sump.transmitter.reads_in"
    assert "`mA`" in found.right
