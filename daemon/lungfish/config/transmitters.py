"""From a transmitter's form to what it means."""

from __future__ import annotations

import math
from typing import Final

from lungfish.config.current import LIVE_ZERO_A, SPAN_A
from lungfish.config.document import KeyPath
from lungfish.config.fields import Amperes, Share
from lungfish.config.form import TransmitterForm
from lungfish.config.model import ByteOrder, NumberFormat, RegisterTable, TransmitterSpec
from lungfish.config.report import Report
from lungfish.config.texts import build_text
from lungfish.units import PRESSURE, unit_in_si

__all__ = ["build_transmitter"]

_RECTANGULAR: Final = 1.0 / math.sqrt(3.0)  # half-width to standard uncertainty (JCGM 100:2008, 4.3.7)
_WEATHER_PA: Final = 3000.0  # half-width of what weather does to the atmosphere (common practice)
_ACCURACY_SHARE: Final = 0.001  # of span, half-width, when nothing is stated (common practice)
_OF_MODBUS: Final = {"unit": "1", "table": "input", "register": "0", "format": "float32"}
_ORDERS: Final = ("word_order", "byte_order")


def build_transmitter(
    path: KeyPath, form: TransmitterForm, tube_m: float, atmosphere_abs_pa: float, report: Report
) -> TransmitterSpec | None:
    """Settle a transmitter.

    Args:
        path: of its section.
        form: the section.
        tube_m: length of the tube, m.
        atmosphere_abs_pa: usual atmospheric pressure, Pa.
        report: where findings go.
    """
    if not _agrees(path, form, report):
        return None
    text = None if form.text is None else build_text((*path, "text"), form.text, report)
    if form.text is not None and text is None:
        return None
    number = NumberFormat(form.format or "float64")
    line_in_pa = text is not None and bool(text.units_pa)
    if line_in_pa is (form.reads_in is not None):
        _tell_unit(path, line_in_pa, report)
        return None
    width = form.span[1] - form.span[0]
    made = _scale(path, form, width, report)
    if made is None:
        return None
    scale, offset = made
    above = atmosphere_abs_pa if form.reference == "absolute" else 0.0
    low, high = form.span[0] - above, form.span[1] - above
    if not low < high:
        report.error(
            (*path, "span"), "the span does not rise", "write the least pressure first, such as `span: [0 kPa, 60 kPa]`"
        )
        return None
    if number.registers > 1 and text is None and "word_order" not in form.model_fields_set:
        report.assume((*path, "word_order"), "big (the high word in the first register)")
    if form.height is None:
        report.assume((*path, "height"), f"{tube_m:g} m above the tip (the tube's length)")
    if form.damping is None:
        report.assume((*path, "damping"), "found by itself")
    return TransmitterSpec(
        link=form.link,
        unit=form.unit or 0,
        table=RegisterTable(form.table or "input"),
        register=form.register_ or 0,
        format=number,
        word_order=ByteOrder(form.word_order),
        byte_order=ByteOrder(form.byte_order),
        scale_pa=scale,
        offset_gauge_pa=offset - above,
        span_low_gauge_pa=low,
        span_high_gauge_pa=high,
        u_pa=_transmitter_u_pa(path, form, number, scale, report),
        height_m=tube_m if form.height is None else form.height,
        damping_s=form.damping,
        absolute=form.reference == "absolute",
        overload_gauge_pa=form.overload,
        current_loop=form.reads_in == "mA",
        text=text,
    )


def _agrees(path: KeyPath, form: TransmitterForm, report: Report) -> bool:
    """Whether it has the keys of Modbus, or those of text, and not some of both."""
    before = len(report.errors)
    for key, example in _OF_MODBUS.items():
        stated = getattr(form, "register_" if key == "register" else key) is not None
        if form.text is None and not stated:
            report.error((*path, key), "is missing", f"add `{key}: {example}`")
        elif form.text is not None and stated:
            report.error((*path, key), "its lines of text have no registers", "delete it, or delete `text`")
    for key in _ORDERS:
        if form.text is not None and key in form.model_fields_set:
            report.error((*path, key), "its lines of text have no registers", "delete it, or delete `text`")
    if form.counts is None:
        return len(report.errors) == before
    if form.reads_in != "mA":
        report.error((*path, "counts"), "they stand for 4 and 20 mA", "write `reads_in: mA`, or `scale` and `offset`")
    for key in ("scale", "offset"):
        if key in form.model_fields_set:
            report.error((*path, key), "`counts` says what a count is worth", "keep one of them")
    if form.counts[0] == form.counts[1]:
        report.error((*path, "counts"), "4 and 20 mA read as the same", "write two different numbers")
    return len(report.errors) == before


def _tell_unit(path: KeyPath, line_in_pa: bool, report: Report) -> None:
    if line_in_pa:
        report.error((*path, "reads_in"), "each line names its unit", "delete it, or the group `unit` of the pattern")
    else:
        report.error((*path, "reads_in"), "is missing", "add `reads_in: Pa`, the unit of the number that is read")


def _scale(path: KeyPath, form: TransmitterForm, width_pa: float, report: Report) -> tuple[float, float] | None:
    """What a count is worth, and the pressure that is read as 0, in the transmitter's own reference, Pa."""
    loop = form.reads_in == "mA"
    scale_ma, offset = form.scale, form.offset
    if form.counts is not None:
        scale_ma = 1e3 * SPAN_A / (form.counts[1] - form.counts[0])
        offset = Amperes(LIVE_ZERO_A - 1e-3 * scale_ma * form.counts[0])
    worth = 1.0
    if loop:
        worth = 1e-3 * width_pa / SPAN_A
    elif form.reads_in is not None:
        worth = unit_in_si(form.reads_in, PRESSURE)
    if offset is not None and loop is not isinstance(offset, Amperes):
        wrong, right = ("pressure", "a current, such as `4 mA`") if loop else ("current", "a pressure, such as `0 Pa`")
        report.error((*path, "offset"), f"it is a {wrong} and the result is in {form.reads_in}", f"write {right}")
        return None
    if scale_ma == 0.0:
        report.error((*path, "scale"), "a scale of 0 makes every reading the same", "write what one count is worth")
        return None
    base = offset or 0.0
    return scale_ma * worth, form.span[0] + width_pa * (base - LIVE_ZERO_A) / SPAN_A if loop else base


def _transmitter_u_pa(
    path: KeyPath, form: TransmitterForm, number: NumberFormat, scale_pa: float, report: Report
) -> float:
    width = form.span[1] - form.span[0]
    accuracy = form.accuracy
    if accuracy is None:
        accuracy = Share(_ACCURACY_SHARE)
        report.assume((*path, "accuracy"), f"0.1 % of span, {width * accuracy:.0f} Pa (common practice)")
    half_widths = [accuracy * width if isinstance(accuracy, Share) else accuracy]
    if not number.is_float:
        half_widths.append(abs(scale_pa) / 2.0)
    if form.reference == "absolute":
        half_widths.append(_WEATHER_PA)
        report.warn(
            (*path, "reference"),
            f"an absolute transmitter reads the weather as level on a vented tank (about {_WEATHER_PA:.0f} Pa)",
            "use a gauge transmitter",
        )
    return math.hypot(*half_widths) * _RECTANGULAR
