"""Text with a unit to SI and back: the only file that knows pint.

A quantity is a number, a space, a unit: `2.4 m`, `1.5 L/min`. The unit is looked up in a small registry of our own, so
that no release of the library can change what a site file means. Gauge and absolute are never part of a unit,
and an inch of water says at which temperature.
"""

from __future__ import annotations

import difflib
import math
import re
from dataclasses import dataclass
from functools import cache, lru_cache
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from pint import UnitRegistry
    from pint.facets.plain import PlainUnit

__all__ = [
    "ACCELERATION",
    "ANGLE",
    "CURRENT",
    "DENSITY",
    "DURATION",
    "ENERGY_DENSITY",
    "FLOW",
    "LENGTH",
    "PRESSURE",
    "RATIO",
    "SPEED",
    "TEMPERATURE",
    "VOLUME",
    "WATER_COLUMN_PA",
    "Kind",
    "QuantityError",
    "forget",
    "from_si",
    "quantity",
    "unit_in_si",
]


class QuantityError(ValueError):
    """A text that is no quantity of the kind wanted: no unit, an unknown one, one of another dimension."""

    def __init__(self, wrong: str, right: str) -> None:
        """Say both halves.

        Args:
            wrong: what was wrong.
            right: what would be right.
        """
        self.wrong = wrong
        self.right = right
        super().__init__(f"{wrong}; {right}")


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of quantity."""

    name: str
    """In words, for messages."""
    si: str
    """Unit that values are handed on in."""
    example: str
    """A quantity of this kind, as it is written."""
    units: tuple[str, ...]
    """The usual units, for suggestions."""


LENGTH: Final = Kind("length", "m", "2.4 m", ("mm", "cm", "m", "in", "ft"))
PRESSURE: Final = Kind(
    "pressure", "Pa", "3 bar", ("Pa", "hPa", "kPa", "MPa", "mbar", "bar", "psi", "inH2O_68F", "mmH2O_4C")
)
DENSITY: Final = Kind("density", "kg/m**3", "998.2 kg/m**3", ("kg/m**3", "kg/L", "g/cm**3", "g/mL", "lb/ft**3"))
TEMPERATURE: Final = Kind("temperature", "K", "20 degC", ("degC", "degF", "K"))
DURATION: Final = Kind("duration", "s", "90 s", ("ms", "s", "min", "h", "day"))
SPEED: Final = Kind("speed", "m/s", "100 mm/h", ("mm/h", "mm/min", "m/h", "in/h", "ft/h"))
FLOW: Final = Kind("flow", "m**3/s", "1.5 L/min", ("L/min", "mL/min", "L/h", "m**3/h", "ft**3/min", "ft**3/h"))
VOLUME: Final = Kind("volume", "m**3", "12.5 m**3", ("m**3", "L", "hL", "ft**3", "US_gal", "imp_gal"))
ACCELERATION: Final = Kind("acceleration", "m/s**2", "9.81 m/s**2", ("m/s**2", "cm/s**2"))
ANGLE: Final = Kind("angle", "rad", "52.3 deg", ("deg", "rad"))
CURRENT: Final = Kind("current", "A", "4 mA", ("mA", "A"))
ENERGY_DENSITY: Final = Kind(
    "energy of a volume of air", "J/m**3", "0.12 kWh/m**3", ("kWh/m**3", "Wh/m**3", "kW*min/m**3")
)
RATIO: Final = Kind("share", "one", "0.1 %", ("%", "ppm"))

_INCH_M = 0.0254
_WATER_KG_M3 = {
    "conv": 1000.0,  # conventional: NIST SP 811 (2008) appendix B.9, 249.0889 Pa an inch
    "4C": 999.972,  # 4 degC = 39.2 degF: the same table, 249.082 Pa
    "60F": 999.001,  # the same table, 248.84 Pa
    "68F": 998.2071,  # 20 degC: not in that table; IAPWS-95 density at 1 atm
}
_WATER_ALIAS = {"39F": "4C", "20C": "68F"}
_COLUMN_M = {"in": _INCH_M, "ft": 0.3048, "mm": 1e-3, "cm": 1e-2, "m": 1.0}

WATER_COLUMN_PA: Final = {
    f"{length}H2O_{state}": metres * 9.80665 * _WATER_KG_M3[_WATER_ALIAS.get(state, state)]
    for length, metres in _COLUMN_M.items()
    for state in (*_WATER_KG_M3, *_WATER_ALIAS)
}
"""Pressure of a column of water, Pa, under standard gravity, by unit name."""

_DEFINITIONS = """
micro- = 1e-6 = u- = µ-
milli- = 1e-3 = m-
centi- = 1e-2 = c-
deci- = 1e-1 = d-
hecto- = 1e2 = h-
kilo- = 1e3 = k-
mega- = 1e6 = M-
metre = [length] = m = meter
second = [time] = s = sec
gram = [mass] = g
kelvin = [temperature]; offset: 0 = K
ampere = [current] = A
one = []
radian = one = rad
degree = 0.017453292519943295 * radian = deg
percent = 0.01 * one
ppm = 1e-6 * one
minute = 60 * second = min
hour = 60 * minute = h = hr
day = 24 * hour = d
inch = 0.0254 * metre = in
foot = 12 * inch = ft = feet
litre = 1e-3 * metre ** 3 = L = l = liter
US_gal = 231 * inch ** 3
imp_gal = 4.54609 * litre
tonne = 1e6 * gram = t
pound = 453.59237 * gram = lb
degC = kelvin; offset: 273.15 = celsius
degF = 5 / 9 * kelvin; offset: 255.3722222222222 = fahrenheit
newton = 1e3 * gram * metre / second ** 2 = N
pascal = newton / metre ** 2 = Pa
joule = newton * metre = J
watt = joule / second = W
watt_hour = 3600 * joule = Wh
bar = 1e5 * pascal
atm = 101325 * pascal
psi = 4.4482216152605 * newton / inch ** 2
kgf = 9.80665 * newton
torr = 101325 / 760 * pascal
mmHg = 133.322387415 * pascal
inHg = 25.4 * mmHg
"""

_PREFIXED = {"metre", "second", "gram", "litre", "newton", "pascal", "bar", "ampere", "joule", "watt", "watt_hour"}
"""Units that are written with a prefix; elsewhere one is a slip, such as `cd` for a day."""

_NUMBER = re.compile(r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]{1,3})?")
_FACTOR = re.compile(r"([A-Za-zµ_][A-Za-z0-9_µ]*?)(?:(?:\*\*|\^)?(-?[1-4]))?")
_BARE_COLUMN = re.compile(
    r"(in|inch|inches|ft|feet|foot|mm|cm|m)[ _.]*(?:of[ _])?(?:h2o|h20|wc|w\.c\.?|wg|w\.g\.?|aq|water|ws)(.*)",
    re.IGNORECASE,
)
_REFERENCED = re.compile(
    r"(psi|[mkhM]?pa|m?bar|atm|\w*h2o\w*?|mmhg|inhg)[ _]*\(?(g|a|d|gauge|ga|abs|absolute|diff)\.?\)?", re.IGNORECASE
)
_STANDARD_FLOW = re.compile(
    r"(scfm|scfh|acfm|sccm|slpm|slm|nlpm|nl|sl|nml|sml|nm\^?(?:\*\*)?3|sm\^?(?:\*\*)?3|nm³|sm³|ndm3|l[ns])(?:[ ]*/.*)?",
    re.IGNORECASE,
)
_HINTS = {
    "lpm": "L/min",
    "l/m": "L/min",
    "cc": "cm**3",
    "cc/min": "cm**3/min",
    "ccm": "cm**3/min",
    "cfm": "ft**3/min",
    "cfh": "ft**3/h",
    "m3h": "m**3/h",
    "c": "degC",
    "f": "degF",
    "°c": "degC",
    "°f": "degF",
    '"': "in",
    "''": "in",
    "'": "ft",
    "mins": "min",
    "secs": "s",
    "hrs": "h",
    "sg": "kg/m**3",
    "gal": "US_gal` or `imp_gal",
    "gallon": "US_gal` or `imp_gal",
    "gallons": "US_gal` or `imp_gal",
    "lbs/ft3": "lb/ft**3",
    "pcf": "lb/ft**3",
    "torr": "mbar",
}


@cache
def _registry() -> UnitRegistry[Any]:
    # Imported here: it costs some 200 ms and most of lungfish never sees a unit.
    from pint import UnitRegistry

    registry: UnitRegistry[Any] = UnitRegistry(None, on_redefinition="raise")
    registry.load_definitions(_DEFINITIONS.strip().splitlines())
    registry.load_definitions([f"{name} = {pascals!r} * pascal" for name, pascals in WATER_COLUMN_PA.items()])
    return registry


def _factor(token: str) -> PlainUnit:
    match = _FACTOR.fullmatch(token)
    if match is None or token.startswith("delta_"):
        raise KeyError(token)
    name, exponent = (token, None) if token in WATER_COLUMN_PA else match.groups()
    # Readings without a prefix come first: `min` is a minute, not a thousandth of an inch.
    prefix, base, _ = next(iter(_registry().parse_unit_name(name)), ("", "", ""))
    if not base or (prefix and base not in _PREFIXED):
        raise KeyError(token)
    unit = _registry().Unit(prefix + base)
    return unit if exponent is None else unit ** int(exponent)


def _unit(text: str) -> PlainUnit:
    """Build a unit from factors of our own grammar.

    The library's expression parser would also evaluate numbers and huge powers, which a hostile file could use.
    """
    tokens = re.split(r"\s*(/|(?<!\*)\*(?!\*)|\s)\s*", text)
    unit = _factor(tokens[0])
    for operator, token in zip(tokens[1::2], tokens[2::2], strict=True):
        unit = unit / _factor(token) if operator == "/" else unit * _factor(token)
    return unit


def _known_trouble(text: str, kind: Kind) -> QuantityError | None:
    """Words that people write for a unit and that would be a guess to accept."""
    column = _BARE_COLUMN.fullmatch(text)
    if column is not None and kind is PRESSURE:
        length = {"inch": "in", "inches": "in", "foot": "ft", "feet": "ft"}.get(column[1].lower(), column[1].lower())
        known = ", ".join(
            f"`{length}H2O_{state}` ({WATER_COLUMN_PA[f'{length}H2O_{state}']:.7g} Pa)" for state in _WATER_KG_M3
        )
        return QuantityError(f"`{text}` does not say at which temperature the water is", f"write one of {known}")
    if kind is PRESSURE and _REFERENCED.fullmatch(text):
        return QuantityError(
            f"`{text}` puts gauge or absolute into the unit",
            "write the unit alone, such as `psi` or `bar`: a span is gauge unless the transmitter has "
            "`reference: absolute`, `air.supply` is always gauge and `site.pressure` always absolute",
        )
    if kind is FLOW and _STANDARD_FLOW.fullmatch(text):
        return QuantityError(
            f"`{text}` has more than one definition of its standard state",
            "write a plain volume flow, such as `1.5 L/min`, and say which standard it counts in with `air.reference`",
        )
    return None


def _suggestion(text: str, kind: Kind) -> str:
    hint = _HINTS.get(text.lower())
    if hint is None:
        lowered = {unit.lower(): unit for unit in kind.units}
        close = difflib.get_close_matches(text.lower(), lowered, n=1, cutoff=0.6)
        hint = lowered[close[0]] if close else None
    return f"did you mean `{hint}`? Otherwise {_usual(kind)}" if hint else _usual(kind)


def _usual(kind: Kind) -> str:
    return f"write it in one of {', '.join(f'`{unit}`' for unit in kind.units)}"


@lru_cache(maxsize=1024)
def _scale(text: str, kind: Kind) -> tuple[float, float]:
    """Factor and offset that take a number in this unit to SI."""
    from pint import DimensionalityError, OffsetUnitCalculusError

    spelled = text.translate(_SPELLING)
    spelled = {"°C": "degC", "°F": "degF", "° C": "degC", "° F": "degF", "°": "deg", "%": "percent"}.get(
        spelled, spelled
    )
    trouble = _known_trouble(spelled, kind) if spelled not in WATER_COLUMN_PA else None
    if trouble is not None:
        raise trouble
    try:
        unit = _unit(spelled)
        registry = _registry()
        zero = float(registry.Quantity(0.0, unit).to(kind.si).magnitude)
        one = float(registry.Quantity(1.0, unit).to(kind.si).magnitude)
    except KeyError:
        raise QuantityError(
            f"`{text}` is not a unit of {kind.name} that lungfish knows", _suggestion(spelled, kind)
        ) from None
    except (DimensionalityError, OffsetUnitCalculusError):
        raise QuantityError(f"`{text}` is not a unit of {kind.name}", _usual(kind)) from None
    return one - zero, zero


_SPELLING = str.maketrans({"μ": "µ", "²": "2", "³": "3", "·": "*", "⋅": "*", "\N{NO-BREAK SPACE}": " "})
_LONGEST_UNIT = 40


def unit_in_si(text: str, kind: Kind) -> float:
    """How much one of a unit is in SI.

    Args:
        text: the unit alone, such as `kPa`.
        kind: what it must measure.

    Returns:
        SI per unit.

    Raises:
        QuantityError: unknown unit, one of another dimension, or one whose zero is not the SI zero.
    """
    right = f"write a unit of {kind.name}, such as `{kind.units[0]}`"
    if len(text) > _LONGEST_UNIT:
        raise QuantityError("the unit is too long", right)
    if re.match(r"\s*[-+.0-9]", text):
        raise QuantityError(f"`{text}` is more than a unit", right)
    factor, offset = _scale(text.strip(), kind)
    if offset != 0.0:
        raise QuantityError(f"`{text}` does not start at zero", right)
    return factor


def quantity(text: object, kind: Kind) -> float:
    """Read a quantity.

    Args:
        text: a number with its unit, such as `2.4 m`; anything else is told what is wrong with it.
        kind: what it must measure.

    Returns:
        The value in SI (`kind.si`); always finite.

    Raises:
        QuantityError: no text, no unit, no number, or a unit of another dimension.
    """
    whole = f"write a number with its unit, such as `{kind.example}`"
    if isinstance(text, bool) or not isinstance(text, str | int | float):
        raise QuantityError(f"this is no {kind.name}", whole)
    if not isinstance(text, str):
        raise QuantityError(f"`{text}` has no unit", f"write the {kind.name} with its unit, such as `{kind.example}`")
    text = text.strip()
    shown = f"`{text}`" if len(text) <= _LONGEST_UNIT else f"`{text[:37]}...`"
    match = _NUMBER.match(text)
    if match is None:
        raise QuantityError(f"{shown} does not begin with a number", whole)
    unit = text[match.end() :].strip()
    if re.match(r",[0-9]", unit):
        raise QuantityError(f"{shown} has a decimal comma", f"write a decimal point, such as `{kind.example}`")
    if re.match(r"(?:[ ]*[0-9]+)?[ ]*/[ ]*[0-9]", unit):
        raise QuantityError(f"{shown} is a fraction", "write it as a decimal, such as `0.375 in` for three eighths")
    if not unit:
        raise QuantityError(f"{shown} has no unit", f"write the {kind.name} with its unit, such as `{kind.example}`")
    if len(unit) > _LONGEST_UNIT:
        raise QuantityError(f"{shown} is not a quantity", whole)
    factor, offset = _scale(unit, kind)
    value = float(match[0]) * factor + offset
    if not math.isfinite(value):
        raise QuantityError(f"{shown} is too large to be a number", whole)
    return value


def from_si(value: float, unit: str, kind: Kind) -> float:
    """A value in SI in another unit, for display.

    Args:
        value: in `kind.si`.
        unit: unit to show it in.
        kind: what it measures.

    Returns:
        The number in that unit.

    Raises:
        QuantityError: unknown unit, or one of another dimension.
    """
    factor, offset = _scale(unit, kind)
    return (value - offset) / factor


def forget() -> None:
    """Let go of the registry and of the units seen so far; both are made anew when they are needed."""
    _scale.cache_clear()
    _registry.cache_clear()
