"""The kinds of value that a site file is made of, each with its check and its place in the JSON schema."""

from __future__ import annotations

import difflib
import re
import zoneinfo
from dataclasses import dataclass
from functools import cache
from typing import Annotated, Any, Final

from pydantic import AfterValidator, GetCoreSchemaHandler, GetJsonSchemaHandler
from pydantic_core import CoreSchema, PydanticCustomError, core_schema

from lungfish.units import PRESSURE, RATIO, Kind, QuantityError, quantity, unit_in_si

__all__ = [
    "Amperes",
    "Host",
    "Name",
    "PressureUnit",
    "Quantity",
    "ReadingUnit",
    "Share",
    "SiteName",
    "StorePath",
    "TimeZone",
    "told",
]

_NUMBER_PATTERN: Final = r"^\s*[+-]?([0-9]+(\.[0-9]*)?|\.[0-9]+)([eE][+-]?[0-9]+)?\s*"
_UNIT_PATTERN: Final = r"[A-Za-z\u00b5\u03bc\u00b0][^%]*$"
_SHARE_PATTERN: Final = r"(%|percent|ppm)\s*$"


def told(wrong: str, right: str, example: str = "") -> PydanticCustomError:
    """An error that carries both halves of a message.

    Args:
        wrong: what was wrong.
        right: what would be right.
        example: general example in `right`, for which the key's own one is put.
    """
    return PydanticCustomError("told", "{wrong}; {right}", {"wrong": wrong, "right": right, "example": example})


@dataclass(frozen=True, slots=True)
class Quantity:
    """Marks a field as a quantity with a unit, handed on as SI."""

    kind: Kind
    """What it measures."""
    low: str
    """Least value that makes sense, as it would be written."""
    high: str
    """Greatest value that makes sense."""

    def read(self, value: object) -> float:
        """Read and bound one value.

        Args:
            value: what stands in the file.
        """
        try:
            si = quantity(value, self.kind)
        except QuantityError as error:
            raise told(error.wrong, error.right, self.kind.example) from None
        low, high = _bounds(self)
        if not low <= si <= high:
            raise told(
                f"`{value}` is outside what this {self.kind.name} can be", f"write one from {self.low} to {self.high}"
            )
        return si

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:  # noqa: ANN401 - pydantic's own signature
        return core_schema.no_info_plain_validator_function(self.read)

    def __get_pydantic_json_schema__(self, schema: CoreSchema, handler: GetJsonSchemaHandler) -> dict[str, Any]:
        return {
            "type": "string",
            "pattern": _NUMBER_PATTERN + (_SHARE_PATTERN if self.kind is RATIO else _UNIT_PATTERN),
            "description": f"{self.kind.name} with its unit, from {self.low} to {self.high}",
        }


@cache
def _bounds(field: Quantity) -> tuple[float, float]:
    # A hair wider: 60 min written as 1 h must not fall over the edge by rounding.
    low, high = quantity(field.low, field.kind), quantity(field.high, field.kind)
    return low - 1e-9 * abs(low), high + 1e-9 * abs(high)


class Share(float):
    """A part of something, 1, told apart from a pressure."""


class Amperes(float):
    """A current, A, told apart from a pressure."""


def _name(value: str) -> str:
    if not re.fullmatch(r"[^\W_][\w-]{0,39}", value):
        raise told(
            f"`{value[:50]}` is no name", "write 1 to 40 letters, digits, `-` or `_`, beginning with a letter or digit"
        )
    return value


def _site_name(value: str) -> str:
    if not (0 < len(value) <= 80 and value.isprintable() and value == value.strip()):
        raise told(f"`{value[:80]!r}` is no name", "write 1 to 80 printable characters on one line")
    return value


def _host(value: str) -> str:
    right = "write a host name or an address alone, such as `192.0.2.10`"
    if "://" in value:
        raise told(f"`{value[:60]}` is a web address", right)
    if re.fullmatch(r"[^:\[\]]*:[0-9]+", value):
        raise told(f"`{value[:60]}` holds a port as well", f"{right}, and the port under `port`")
    if not re.fullmatch(r"[A-Za-z0-9._-]{1,253}|[0-9A-Fa-f:.]{2,45}(?:%[A-Za-z0-9]+)?", value):
        raise told(f"`{value[:60]}` is no host", right)
    return value


def _store_path(value: str) -> str:
    if not (0 < len(value) <= 1000 and value.isprintable()):
        raise told("this is no path", "write a file name of printable characters, such as `readings.db`")
    return value


@cache
def _zones() -> frozenset[str]:
    return frozenset(zoneinfo.available_timezones())


def _timezone(value: str) -> str:
    try:
        if re.fullmatch(r"[A-Za-z0-9_+/-]{1,60}", value):
            zoneinfo.ZoneInfo(value)
            return value
    except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError):
        pass  # what would be right is told below
    if not _zones():
        raise told("this computer has no list of time zones", "install the system's `tzdata` package")
    lowered = {zone.lower(): zone for zone in _zones()}
    by_city = {zone.rsplit("/", 1)[-1].lower(): zone for zone in sorted(_zones(), reverse=True)}
    wanted = value.lower().replace(" ", "_")
    close = difflib.get_close_matches(wanted, lowered, n=1, cutoff=0.75)
    hint = by_city.get(wanted) or (lowered[close[0]] if close else None)
    raise told(
        f"`{value[:60]}` is no IANA time zone",
        f"did you mean `{hint}`?" if hint else "write one such as `Europe/London` or `UTC`",
    )


def _pressure_unit(value: str) -> str:
    try:
        unit_in_si(value, PRESSURE)
    except QuantityError as error:
        raise told(error.wrong, error.right) from None
    return value


def _reading_unit(value: str) -> str:
    if value == "mA":
        return value
    try:
        unit_in_si(value, PRESSURE)
    except QuantityError as error:
        raise told(error.wrong, f"{error.right}; or `mA` for a current of 4 to 20 mA") from None
    return value


Name = Annotated[str, AfterValidator(_name)]
SiteName = Annotated[str, AfterValidator(_site_name)]
Host = Annotated[str, AfterValidator(_host)]
StorePath = Annotated[str, AfterValidator(_store_path)]
TimeZone = Annotated[str, AfterValidator(_timezone)]
PressureUnit = Annotated[str, AfterValidator(_pressure_unit)]
ReadingUnit = Annotated[str, AfterValidator(_reading_unit)]
