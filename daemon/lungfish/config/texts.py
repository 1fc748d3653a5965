"""From the forms of devices that speak text to what they mean."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Final

from lungfish.config.document import KeyPath
from lungfish.config.link_model import LinkSpec, SerialTextLinkSpec
from lungfish.config.report import Report
from lungfish.config.text_form import RelayForm, TextForm, bytes_of
from lungfish.config.text_model import Checksum, RelaySpec, TextSpec
from lungfish.units import PRESSURE, unit_in_si

__all__ = ["build_relay", "build_text", "check_carries_text"]

_UNITS: Final = ("Pa", "hPa", "kPa", "MPa", "mbar", "bar", "psi")
_MAX_AGE_S: Final = 1.0


def build_text(path: KeyPath, form: TextForm, report: Report) -> TextSpec | None:
    """Settle a transmitter's lines.

    Args:
        path: of the section `text`.
        form: the section.
        report: where findings go.
    """
    pattern = re.compile(form.pattern)
    groups = pattern.groupindex
    before = len(report.errors)
    if (form.checksum == "none") is ("checksum" in groups):
        wrong = "there is a group `checksum`" if form.checksum == "none" else "the pattern has no group `checksum`"
        right = "write how it is made: `checksum: xor`, `sum` or `crc-16`"
        report.error(
            (*path, "checksum"), wrong, right if form.checksum == "none" else "add `(?P<checksum>...)` to the pattern"
        )
    if "body" in groups and "checksum" not in groups:
        report.error((*path, "pattern"), "`body` is what a checksum is made of, and there is none", "leave it out")
    if form.units is not None and "unit" not in groups:
        report.error((*path, "units"), "the pattern has no group `unit`", "delete it, or add `(?P<unit>...)`")
    if form.ask is not None and form.max_age is not None:
        report.error((*path, "max_age"), "what is asked for is as old as the asking", "delete it, or delete `ask`")
    if form.max_age is None and form.ask is None:
        report.assume((*path, "max_age"), f"{_MAX_AGE_S:g} s")
    if len(report.errors) > before:
        return None
    if form.checksum == "none":
        report.warn(
            (*path, "checksum"),
            "a line without one is believed as it comes: a disturbed digit is another pressure",
            "let the device send a checksum, if it has one",
        )
    words: Mapping[str, str] = form.units or {unit: unit for unit in _UNITS}
    return TextSpec(
        ask=None if form.ask is None else bytes_of(form.ask),
        pattern=pattern,
        ends=bytes_of(form.ends),
        checksum=Checksum(form.checksum),
        max_age_s=form.max_age or _MAX_AGE_S,
        units_pa={word: unit_in_si(unit, PRESSURE) for word, unit in words.items()} if "unit" in groups else {},
    )


def build_relay(path: KeyPath, form: RelayForm, report: Report) -> RelaySpec | None:
    """Settle a relay's byte strings.

    Args:
        path: of the section `relay`.
        form: the section.
        report: where findings go.
    """
    told = {
        key: None if (written := getattr(form, key)) is None else bytes_of(written)
        for key in ("open", "shut", "ask", "open_answer", "shut_answer")
    }
    for one, other in (("open", "shut"), ("open_answer", "shut_answer")):
        if told[one] is not None and told[one] == told[other]:
            report.error((*path, other), f"it is the same as `{one}`", "write two different ones")
            return None
    answers = [key for key in ("open_answer", "shut_answer") if told[key] is not None]
    if len(answers) == 1:
        missing = "shut_answer" if answers == ["open_answer"] else "open_answer"
        report.error((*path, missing), "is missing", f"add it, or delete `{answers[0]}`: a state is told by both")
        return None
    first, second = told["open_answer"] or b"", told["shut_answer"] or b""
    if answers and (first in second or second in first):
        report.error((*path, "shut_answer"), "one of the answers is part of the other", "write whole answers")
        return None
    if told["ask"] is not None and not answers:
        report.error((*path, "ask"), "it is not said what is answered", "add `open_answer` and `shut_answer`")
        return None
    if not answers:
        report.warn(
            path,
            "nothing confirms what the board has done: a command that it did not hear is taken for carried out, and "
            "`lungfish shut` can never say that the valve is shut",
            "use a board that answers, and write `open_answer` and `shut_answer`",
        )
    return RelaySpec(
        open=bytes_of(form.open),
        shut=bytes_of(form.shut),
        ask=told["ask"],
        open_answer=told["open_answer"],
        shut_answer=told["shut_answer"],
    )


def check_carries_text(path: KeyPath, link: LinkSpec | None, report: Report) -> None:
    """Whether a link can carry text.

    Args:
        path: of the section that names the link.
        link: the link; None for one that is wrong in itself.
        report: where findings go.
    """
    if link is not None and not isinstance(link, SerialTextLinkSpec):
        report.error(
            (*path, "link"), f"`{link.name}` carries {link.spoken} and no text", "name a link of kind `serial-text`"
        )
