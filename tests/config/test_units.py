"""Quantities against published tables."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lungfish.units import (
    ACCELERATION,
    ANGLE,
    DENSITY,
    DURATION,
    FLOW,
    LENGTH,
    PRESSURE,
    RATIO,
    TEMPERATURE,
    VOLUME,
    WATER_COLUMN_PA,
    Kind,
    QuantityError,
    from_si,
    quantity,
    unit_in_si,
)

KINDS = [LENGTH, PRESSURE, DENSITY, TEMPERATURE, DURATION, FLOW, VOLUME, ACCELERATION, ANGLE, RATIO]

# NIST SP 811 (2008), appendix B.9; given there to six or seven digits.
NIST_SP_811 = [
    ("inH2O_conv", 249.0889),
    ("inH2O_4C", 249.082),
    ("inH2O_39F", 249.082),
    ("inH2O_60F", 248.84),
    ("ftH2O_conv", 2989.067),
    ("ftH2O_4C", 2988.98),
    ("cmH2O_conv", 98.0665),
    ("cmH2O_4C", 98.0638),
    ("mmH2O_conv", 9.80665),
    ("psi", 6894.757),
    ("mmHg", 133.3224),
    ("inHg", 3386.389),
    ("mbar", 100.0),
    ("atm", 101325.0),
    ("kgf/cm2", 98066.5),
    ("torr", 133.3224),
    ("bar", 1e5),
]


@pytest.mark.parametrize(("unit", "pascals"), NIST_SP_811)
def test_pressure_units_are_those_of_nist_sp_811(unit: str, pascals: float) -> None:
    # The table rounds to the digits printed: half a unit of the last one.
    digits = len(f"{pascals:.10g}".replace(".", "").strip("0"))
    assert unit_in_si(unit, PRESSURE) == pytest.approx(pascals, rel=max(5 * 10.0**-digits, 5e-7))


def test_an_inch_of_water_at_68_degf_is_iapws_water_under_standard_gravity() -> None:
    # Not in SP 811: 25.4 mm x 9.80665 m/s2 x 998.2071 kg/m3 (IAPWS-95 at 20 degC and 1 atm) = 248.6423 Pa, by hand.
    assert unit_in_si("inH2O_68F", PRESSURE) == pytest.approx(248.6423, abs=5e-5)
    assert unit_in_si("inH2O_20C", PRESSURE) == unit_in_si("inH2O_68F", PRESSURE)


@pytest.mark.parametrize(("unit", "inches"), [("inH2O_60F", 4.01864651985211), ("inH2O_conv", 4.01463092092823)])
def test_a_kilopascal_in_inches_of_water_is_that_of_a_plant_s_unit_table(unit: str, inches: float) -> None:
    # A published table of a control system's engineering units; it rests on SP 811's rounded factors.
    assert from_si(1000.0, unit, PRESSURE) == pytest.approx(inches, rel=5e-7)


@pytest.mark.parametrize(
    ("unit", "inches"), [("conv", 27.67990), ("4C", 27.68067), ("60F", 27.70759), ("68F", 27.72962)]
)
def test_a_psi_in_inches_of_water(unit: str, inches: float) -> None:
    # Worked with Python from the densities above, to 1e-5; conv and 4C agree with handbook tables.
    assert from_si(quantity("1 psi", PRESSURE), f"inH2O_{unit}", PRESSURE) == pytest.approx(inches, abs=1e-5)


def test_a_psi_in_feet_of_water() -> None:
    # 2.306659 ft conventional, 2.306726 ft at 39.2 degF: handbook values, reproduced from SP 811.
    psi = quantity("1 psi", PRESSURE)
    assert from_si(psi, "ftH2O_conv", PRESSURE) == pytest.approx(2.306659, abs=1e-6)
    assert from_si(psi, "ftH2O_39F", PRESSURE) == pytest.approx(2.306726, abs=3e-6)


def test_the_four_inches_of_water_differ_by_what_the_trade_says() -> None:
    # conventional against 68 degF: 0.18 % of reading, 9 mm at 5 m.
    assert WATER_COLUMN_PA["inH2O_conv"] / WATER_COLUMN_PA["inH2O_68F"] - 1 == pytest.approx(0.0018, abs=5e-5)


@pytest.mark.parametrize(
    ("text", "kind", "si"),
    [
        ("2.4 m", LENGTH, 2.4),
        ("100 mm", LENGTH, 0.1),
        ("10mm", LENGTH, 0.01),
        ("0.375 in", LENGTH, 0.009525),  # exact: the inch is 25.4 mm
        ("3 ft", LENGTH, 0.9144),
        ("12 µm", LENGTH, 12e-6),
        ("12 μm", LENGTH, 12e-6),
        ("500 ms", DURATION, 0.5),
        ("10 min", DURATION, 600.0),
        ("1 h", DURATION, 3600.0),
        ("7 day", DURATION, 604800.0),
        ("3 bar", PRESSURE, 3e5),
        ("1 N/mm2", PRESSURE, 1e6),
        ("1 kgf/cm^2", PRESSURE, 98066.5),
        ("998.2 kg/m**3", DENSITY, 998.2),
        ("998.2 kg/m3", DENSITY, 998.2),
        ("998.2 kg/m³", DENSITY, 998.2),
        ("998.2 kg m**-3", DENSITY, 998.2),
        ("0.9982 g/cm3", DENSITY, 998.2),
        ("0.9982 kg/L", DENSITY, 998.2),
        ("62.4 lb/ft3", DENSITY, 999.552),  # NIST SP 811: 1 lb/ft3 = 16.01846 kg/m3
        ("20 degC", TEMPERATURE, 293.15),
        ("20 °C", TEMPERATURE, 293.15),
        ("68 degF", TEMPERATURE, 293.15),
        ("-40 degF", TEMPERATURE, 233.15),  # where the two scales meet
        ("300 K", TEMPERATURE, 300.0),
        ("1.5 L/min", FLOW, 2.5e-5),
        ("3.2 ft3/h", FLOW, 3.2 * 7.865791e-6),  # NIST SP 811: 1 ft3/h = 7.865791e-6 m3/s
        ("9.81 m/s**2", ACCELERATION, 9.81),
        ("9.81 m / s^2", ACCELERATION, 9.81),
        ("52.5 deg", ANGLE, 0.9162978572970231),
        ("52.5°", ANGLE, 0.9162978572970231),
        ("0.1 %", RATIO, 0.001),
        ("250 ppm", RATIO, 0.00025),
        ("1 US_gal", VOLUME, 0.003785411784),  # 231 in3, exact
        ("1 imp_gal", VOLUME, 0.00454609),  # exact by definition
        ("2.5e-3 m3", VOLUME, 0.0025),
    ],
)
def test_quantities_are_read(text: str, kind: Kind, si: float) -> None:
    assert quantity(text, kind) == pytest.approx(si, rel=5e-7)


@pytest.mark.parametrize(
    ("text", "kind", "wrong", "right"),
    [
        ("60 inH2O", PRESSURE, "at which temperature", "`inH2O_60F` (248.8401 Pa)"),
        ("60 in WC", PRESSURE, "at which temperature", "`inH2O_4C` (249.0819 Pa)"),
        ("60 inches of water", PRESSURE, "at which temperature", "`inH2O_conv` (249.0889 Pa)"),
        ("600 mm WG", PRESSURE, "at which temperature", "`mmH2O_68F` (9.789068 Pa)"),
        ("2 ftH2O", PRESSURE, "at which temperature", "`ftH2O_60F` (2986.081 Pa)"),
        ("2 mH2O", PRESSURE, "at which temperature", "`mH2O_conv` (9806.65 Pa)"),
        ("2 inH2O_15C", PRESSURE, "at which temperature", "`inH2O_60F`"),
        ("2 bara", PRESSURE, "gauge or absolute into the unit", "unit alone"),
        ("2 bar (g)", PRESSURE, "gauge or absolute into the unit", "unit alone"),
        ("2 kPag", PRESSURE, "gauge or absolute into the unit", "unit alone"),
        ("2 inH2Og", PRESSURE, "`inH2Og`", "`inH2O_60F`"),
        ("2 Nm3/h", FLOW, "more than one definition", "`air.reference`"),
        ("2 slpm", FLOW, "more than one definition", "`air.reference`"),
        ("2 lpm", FLOW, "not a unit of flow", "did you mean `L/min`?"),
        ("2 gal", VOLUME, "not a unit of volume", "`US_gal` or `imp_gal`"),
        ("2 C", TEMPERATURE, "not a unit of temperature", "did you mean `degC`?"),
        ("2 delta_degC", TEMPERATURE, "not a unit of temperature", "`degC`"),
        ("2 degC/m", TEMPERATURE, "not a unit of temperature", "`K`"),
        ("2 m/", LENGTH, "not a unit of length", "`mm`"),
        ("2 m**9", LENGTH, "not a unit of length", "`mm`"),
        ("2 m2", LENGTH, "`m2` is not a unit of length", "`mm`"),
        ("2 " + "m*" * 50 + "m", LENGTH, "is not a quantity", "`2.4 m`"),
        ("two m", LENGTH, "does not begin with a number", "`2.4 m`"),
        ("", LENGTH, "does not begin with a number", "`2.4 m`"),
        ("inf m", LENGTH, "does not begin with a number", "`2.4 m`"),
        (2.0, LENGTH, "`2.0` has no unit", "`2.4 m`"),
        (True, LENGTH, "no length", "`2.4 m`"),
        (None, LENGTH, "no length", "`2.4 m`"),
    ],
)
def test_what_is_no_quantity_is_told_with_a_remedy(text: object, kind: Kind, wrong: str, right: str) -> None:
    with pytest.raises(QuantityError) as caught:
        quantity(text, kind)

    assert wrong in caught.value.wrong
    assert right in caught.value.right


def test_a_unit_that_does_not_start_at_zero_can_t_scale_a_reading() -> None:
    with pytest.raises(QuantityError, match="does not start at zero"):
        unit_in_si("degC", TEMPERATURE)


@pytest.mark.parametrize("kind", KINDS, ids=lambda kind: kind.name)
def test_every_suggested_unit_is_one_that_is_known(kind: Kind) -> None:
    for unit in kind.units:
        assert quantity(f"1 {unit}", kind) == pytest.approx(quantity(f"1.0 {unit}", kind))
    assert math.isfinite(quantity(kind.example, kind))


@given(st.floats(-1e6, 1e6), st.sampled_from(KINDS), st.data())
def test_to_a_unit_and_back_is_the_same_value(value: float, kind: Kind, data: st.DataObject) -> None:
    unit = data.draw(st.sampled_from(kind.units))
    si = quantity(f"{value:.12f} {unit}", kind)

    assert from_si(si, unit, kind) == pytest.approx(value, rel=1e-9, abs=1e-6)


@given(
    st.text(max_size=30) | st.from_regex(r"[0-9.]{1,5} ?[A-Za-z0-9*/ ^()_%-]{0,20}", fullmatch=True),
    st.sampled_from(KINDS),
)
def test_any_text_is_a_finite_quantity_or_is_told(text: str, kind: Kind) -> None:
    try:
        value = quantity(text, kind)
    except QuantityError as error:
        told = (error.wrong, error.right)
    else:
        assert math.isfinite(value)
        return
    assert all(told)
