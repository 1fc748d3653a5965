"""The forms of devices that speak text or bytes of their own on a serial line."""

from __future__ import annotations

import re
from typing import Annotated, Literal

from pydantic import AfterValidator, BeforeValidator, Field

from lungfish.config.fields import PressureUnit, Quantity, told
from lungfish.config.sections import Section
from lungfish.units import DURATION

__all__ = ["RelayForm", "TextForm", "bytes_of"]

_ESCAPES = {"r": b"\r", "n": b"\n", "t": b"\t", "\\": b"\\"}
_MOST_BYTES = 128


def bytes_of(written: str) -> bytes:
    """The bytes that a text of the site file stands for: `hex A0 01` are these, else characters with escapes.

    Args:
        written: checked by the form.

    Raises:
        ValueError: it stands for none.
    """
    if re.fullmatch(r"hex(\s+[0-9A-Fa-f]{2})+\s*", written):
        return bytes.fromhex(written[3:])
    found = bytearray()
    for escape, code, plain in re.findall(r"\\(?:([rnt\\])|x([0-9A-Fa-f]{2}))|([^\\])|\\", written, re.DOTALL):
        if plain:
            found += plain.encode("ascii")
        elif code:
            found.append(int(code, 16))
        elif escape:
            found += _ESCAPES[escape]
        else:
            raise ValueError("a backslash that begins nothing")
    return bytes(found)


def _byte_string(value: str) -> str:
    right = r"write characters such as `MEAS?\r`, or bytes such as `hex A0 01 01 A2`"
    if re.match(r"hex\s", value) and not re.fullmatch(r"hex(\s+[0-9A-Fa-f]{2})+\s*", value):
        raise told(f"`{value[:60]}` is no row of bytes", r"write two hexadecimal digits for each, such as `hex A0 01`")
    try:
        count = len(bytes_of(value))
    except ValueError:  # UnicodeEncodeError is one
        raise told(f"`{value[:60]!r}` stands for no bytes: plain characters and `\\r`, `\\n`, `\\x1B`", right) from None
    if not 0 < count <= _MOST_BYTES:
        raise told(f"it stands for {count} bytes", f"{right}, 1 to {_MOST_BYTES} of them")
    return value


def _pattern(value: str) -> str:
    right = r"write one such as `(?P<sign>[-+])(?P<value>\d+\.\d+) mbar`"
    try:
        names = re.compile(value).groupindex
    except (re.error, OverflowError) as error:
        raise told(f"it is no pattern: {error}", right) from None
    if len(value) > 300:
        raise told("it is too long", "write at most 300 characters")
    if "value" not in names:
        raise told("no group in it is called `value`", right)
    strange = [name for name in names if name not in ("value", "sign", "unit", "body", "checksum")]
    if strange:
        raise told(
            f"nothing is known of a group `{strange[0]}`", "name groups `value`, `sign`, `unit`, `body` and `checksum`"
        )
    return value


ByteString = Annotated[str, AfterValidator(_byte_string)]


class TextForm(Section):
    """Lines of text that a transmitter sends when it is asked, or by itself."""

    ask: ByteString | None = None
    """What it is asked with, such as `MEAS?\\r`, or bytes as `hex 02 4D 03`; by default it sends by itself."""
    pattern: Annotated[str, AfterValidator(_pattern)]
    """A regular expression for a whole line, its end left out, with a group `value`, and if need be `sign`, `unit`,
    `checksum` and `body`."""
    ends: ByteString = "\\n"
    """What ends a line; `\\n` by default. A carriage return before it is left out."""
    checksum: Literal["none", "xor", "sum", "crc-16"] = "none"
    """How the group `checksum`, in hexadecimal, is made of the group `body`, or of all before it; none by default."""
    max_age: Annotated[float, Quantity(DURATION, "50 ms", "10 s")] | None = None
    """A line that came by itself counts for so long; 1 s by default."""
    units: Annotated[dict[str, PressureUnit] | None, Field(min_length=1, max_length=20)] = None
    """What the words of the group `unit` mean; by default usual ones mean themselves."""


def _no_number(value: object) -> object:
    if isinstance(value, int | float) and not isinstance(value, bool):
        raise told(f"`{value}` is a number", r"write it in quotes: characters, or bytes such as `hex A0 01 01 A2`")
    return value


RelayBytes = Annotated[ByteString, BeforeValidator(_no_number)]


class RelayForm(Section):
    """A relay board that is driven by strings of bytes."""

    open: RelayBytes
    """What opens the valve, such as `hex A0 01 01 A2` or `RELAY 1 ON\\r`."""
    shut: RelayBytes
    """What shuts it."""
    ask: RelayBytes | None = None
    """What asks for its state; by default it can't be asked."""
    open_answer: RelayBytes | None = None
    """What it answers when open, to `ask`, or without that to `open`; nothing by default."""
    shut_answer: RelayBytes | None = None
    """What it answers when shut, to `ask`, or without that to `shut`; nothing by default."""
