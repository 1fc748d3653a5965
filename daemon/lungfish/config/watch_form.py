"""The form of `watch`: how the shut tube is listened to between purges."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BeforeValidator, Discriminator, Tag

from lungfish.config.fields import Quantity, told
from lungfish.config.sections import Section
from lungfish.units import DURATION, LENGTH

__all__ = ["WatchForm", "Watched"]


class WatchForm(Section):
    """Between purges the shut tube is listened to, and a level that may have moved is purged for at once."""

    step: Annotated[float, Quantity(LENGTH, "2 mm", "5 m")] = 0.05
    """Movement of the level that calls for a purge before its time; 50 mm by default."""
    every: Annotated[float, Quantity(DURATION, "500 ms", "10 min")] = 5.0
    """From one look at the transmitter to the next; 5 s by default."""


def _kind(value: object) -> str:
    return "<watch>" if isinstance(value, dict | WatchForm) else "<off>"


def _off(value: object) -> object:
    if value != "off" and value is not False:
        shown = f"`{str(value)[:40].lower()}`" if isinstance(value, str | int | float) else "this"
        raise told(
            f"{shown} is neither `off` nor a section", "write `watch: off`, or `watch: {step: 50 mm, every: 5 s}`"
        )
    return value


Watched = Annotated[
    Annotated[WatchForm, Tag("<watch>")] | Annotated[Literal["off", False], BeforeValidator(_off), Tag("<off>")],
    Discriminator(_kind),
]
