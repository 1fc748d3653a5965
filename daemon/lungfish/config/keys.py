"""What the form allows where: for suggestions, and for examples of what would be right."""

from __future__ import annotations

import difflib
from collections.abc import Iterator, Mapping, Sequence
from functools import cache
from typing import Final, Literal, get_args, get_origin

from lungfish.config.document import KeyPath
from lungfish.config.form import SiteFileForm
from lungfish.config.sections import Section

__all__ = ["EXAMPLES", "VARIANT_KEYS", "example", "form_path", "known_keys", "nearest", "owners"]

EXAMPLES: Final[Mapping[str, str]] = {
    "site": "{name: Brook Lane works, timezone: Europe/London, latitude: 52.3 deg, altitude: 40 m}",
    "name": "Brook Lane works",
    "timezone": "Europe/London",
    "gravity": "9.812 m/s**2",
    "latitude": "52.3 deg",
    "altitude": "40 m",
    "pressure": "1008 hPa",
    "store": "{path: readings.db}",
    "path": "readings.db",
    "links": "{panel: {kind: modbus-tcp, host: 192.0.2.10}}",
    "kind": "modbus-tcp",
    "host": "192.0.2.10",
    "port": "502",
    "modbus-rtu.port": "/dev/ttyUSB0",
    "serial-text.port": "/dev/ttyUSB0",
    "timeout": "500 ms",
    "baud": "19200",
    "parity": "even",
    "stop_bits": "1",
    "data_bits": "8",
    "turn_round": "5 ms",
    "tls": "{ca: site-ca.pem}",
    "ca": "site-ca.pem",
    "certificate": "lungfish.pem",
    "key": "lungfish.key",
    "server_name": "panel.example",
    "air": "{supply: 3 bar, flow: 1.5 L/min}",
    "supply": "3 bar",
    "flow": "1.5 L/min",
    "reference": "gauge",
    "air.reference": "20 degC 1 bar",
    "critical_ratio": "0.3",
    "simultaneous": "1",
    "budget": "{purges_per_hour: 12, per_day: 200 L}",
    "purges_per_hour": "12",
    "per_day": "200 L",
    "budget.rest": "10 s",
    "supply_wait": "10 min",
    "specific_power": "0.12 kWh/m**3",
    "tariff": "0.25 EUR/kWh",
    "rated_operations": "1000000",
    "inputs": "{supply: {link: panel, unit: 1, input: 0}}",
    "inputs.supply": "{link: panel, unit: 1, input: 0}",
    "inputs.flow": "{link: panel, unit: 1, input: 1}",
    "input": "0",
    "at_least": "2 bar",
    "response": "400 ms",
    "supply.reads_in": "bar",
    "tanks": "the example site file has one",
    "vented": "true",
    "tolerates_air": "true",
    "liquid": "{density: 998.2 kg/m**3}",
    "density": "998.2 kg/m**3",
    "temperature": "20 degC",
    "tolerance": "0.1 %",
    "vessel": "{shape: upright-cylinder, diameter: 2.4 m, height: 5 m}",
    "shape": "upright-cylinder",
    "diameter": "2.4 m",
    "height": "5 m",
    "transmitter.height": "4.5 m",
    "width": "1.2 m",
    "depth": "400 mm",
    "table": "input",
    "vessel.table": "[[0 m, 0 m**3], [1 m, 4.2 m**3]]",
    "bottom": "{shape: cone, depth: 400 mm}",
    "top": "{shape: torispherical}",
    "ends": "{shape: torispherical}",
    "flat": "0 mm",
    "dish": "1.0",
    "knuckle": "0.06",
    "bottom_domed": "false",
    "tube": "{tip: 100 mm, bore: 10 mm, length: 4.5 m}",
    "tip": "100 mm",
    "bore": "10 mm",
    "length": "4.5 m",
    "line.length": "20 m",
    "line.bore": "4 mm",
    "tip_tolerance": "2 mm",
    "line": "{bore: 4 mm, length: 20 m, tee: valve-end}",
    "tee": "valve-end",
    "transmitter": "{link: panel, unit: 1, table: input, register: 0, format: float32, reads_in: Pa, "
    "span: [0 kPa, 60 kPa]}",
    "link": "panel",
    "unit": "1",
    "register": "0",
    "format": "float32",
    "word_order": "big",
    "byte_order": "big",
    "scale": "0.1",
    "offset": "0 Pa",
    "reads_in": "Pa",
    "span": "[0 kPa, 60 kPa]",
    "accuracy": "0.1 %",
    "damping": "200 ms",
    "overload": "2 bar",
    "vent": "{link: panel, unit: 1, coil: 6}",
    "vent.coil": "6",
    "vent.max_open": "60 s",
    "vent.every": "7 day",
    "correct": "true",
    "clear": "{pressure: 1.6 bar}",
    "clear.pressure": "1.6 bar",
    "clear.valve": "{link: panel, unit: 1, coil: 8, max_open: 30 s}",
    "clear.flow": "10 L/min",
    "clear.supply": "1.5 bar",
    "isolate": "{link: panel, unit: 1, coil: 7, shut: {link: panel, unit: 1, input: 2}, "
    "safe: {link: panel, unit: 1, input: 3}}",
    "isolate.coil": "7",
    "shut": "{link: panel, unit: 1, input: 2}",
    "shut.input": "2",
    "safe": "{link: panel, unit: 1, input: 3}",
    "safe.input": "3",
    "pulses": "3",
    "pulse": "15 s",
    "rest": "30 s",
    "tries": "2",
    "between": "1 h",
    "friction": "3",
    "delay": "2 s",
    "valve": "{link: panel, unit: 1, coil: 0, max_open: 90 s}",
    "coil": "0",
    "chip": "/dev/gpiochip0",
    "valve.line": "17",
    "isolate.line": "17",
    "vent.line": "17",
    "counts": "[5530, 27648]",
    "text": "{ask: 'MEAS?\\r', pattern: '(?P<value>[-+]?[0-9.]+) mbar'}",
    "ask": "'MEAS?\\r'",
    "pattern": "'(?P<value>[-+]?[0-9.]+) mbar'",
    "text.ends": "'\\n'",
    "checksum": "xor",
    "max_age": "1 s",
    "units": "{mbar: mbar}",
    "relay": "{open: hex A0 01 01 A2, shut: hex A0 01 00 A1}",
    "relay.open": "hex A0 01 01 A2",
    "relay.shut": "hex A0 01 00 A1",
    "relay.ask": "hex A0 01 02 A3",
    "open_answer": "hex A0 01 01 A2",
    "shut_answer": "hex A0 01 00 A1",
    "bit": "3",
    "mask_write": "true",
    "valve.pulse": "{register: 10, unit_time: 100 ms}",
    "vent.pulse": "{register: 16, unit_time: 100 ms}",
    "pulse.register": "10",
    "unit_time": "100 ms",
    "most": "65535",
    "limit_switch": "{link: panel, unit: 1, input: 5, says: shut}",
    "limit_switch.input": "5",
    "says": "shut",
    "within": "1 s",
    "open_value": "1",
    "shut_value": "0",
    "active": "high",
    "max_open": "90 s",
    "module_timeout": "10 s",
    "every": "10 min",
    "watch": "{step: 50 mm, every: 5 s}",
    "step": "50 mm",
    "watch.every": "5 s",
    "alarms": "{high: 3.8 m, low: 600 mm}",
    "high-high": "4.2 m",
    "high": "3.8 m",
    "low": "600 mm",
    "low-low": "300 mm",
    "rising": "50 mm/min",
    "falling": "50 mm/min",
    "deadband": "20 mm",
    "alarms.delay": "10 s",
    "stagger": "true",
    "schedule": '[{from: "06:00", to: "22:00", days: mon-fri, every: 5 min}, {cron: "0 */2 * * *"}]',
    "from": '"06:00"',
    "to": '"22:00"',
    "days": "mon-fri",
    "cron": '"0 */2 * * *"',
    "faster": "{every: 2 min, moving: 100 mm/h}",
    "faster.every": "2 min",
    "moving": "100 mm/h",
    "hold_off": "{mixer: {link: panel, unit: 1, input: 4}}",
    "at_most": "30 min",
    "out_of_service": '{reason: tube taken out for cleaning, until: "2026-12-01 08:00"}',
    "reason": "tube taken out for cleaning",
    "until": '"2026-12-01 08:00"',
}
"""A sensible value of each key, as it would be written; with its section's name where it depends. Invented."""


VARIANT_KEYS: Final = ("shape", "kind")
"""Keys that say which of several forms a section has."""

_MADE_UP: Final = frozenset(
    {"[key]", "<value>", "<water>", "<table>", "<share>", "<pressure>", "<current>", "<watch>", "<off>"}
)
"""Parts of the form's paths that stand for a variant, not for a key."""


def example(path: KeyPath, data: object = None) -> str:
    """A key with a sensible value, as it would be written.

    Args:
        path: of the key.
        data: the file's data, for keys whose value goes with the shape or kind of their section.
    """
    words = [part for part in path if isinstance(part, str)]
    key = words[-1] if words else ""
    here = data
    for part in path[:-1]:
        here = here.get(part) if isinstance(here, dict) else None
    value = EXAMPLES.get(f"{_variant(here)}.{key}") or EXAMPLES.get(".".join(words[-2:])) or EXAMPLES.get(key)
    return f"`{key}: {value}`" if value else f"`{key}`"


def nearest(word: str, known: Sequence[str]) -> str | None:
    """The word that was probably meant, or None.

    Args:
        word: what was written.
        known: what is allowed.
    """
    lowered = {entry.lower().replace("-", "_"): entry for entry in known}
    close = difflib.get_close_matches(word.lower().replace("-", "_"), lowered, n=1, cutoff=0.6)
    return lowered[close[0]] if close else None


def form_path(loc: Sequence[int | str], data: object) -> KeyPath:
    """The path in the file for a path in the form, which also names the variants taken.

    Args:
        loc: from the form's check.
        data: the file's data.
    """
    path: list[int | str] = []
    here = data
    for part in loc:
        written = isinstance(here, dict) and part in here
        if not written and part in _MADE_UP:
            continue
        if not written and isinstance(here, dict) and part == _variant(here):
            continue
        path.append(part)
        if isinstance(here, dict):
            here = here.get(part)
        elif isinstance(here, list) and isinstance(part, int) and part < len(here):
            here = here[part]
        else:
            here = None
    return tuple(path)


def known_keys(path: KeyPath, data: object) -> tuple[str, ...]:
    """Keys that the form allows in the section at a path.

    Args:
        path: of a section.
        data: the file's data, which decides between shapes.
    """
    annotation: object = SiteFileForm
    here = data
    for part in path:
        annotation = _inside(annotation, part, here)
        if isinstance(here, list) and isinstance(part, int):
            here = here[part] if part < len(here) else None
        else:
            here = here.get(part) if isinstance(here, dict) else None
    section = _section(annotation, here)
    return _keys(section) if section is not None else ()


def owners(key: str) -> tuple[str, ...]:
    """Sections that have a key, each by its own key.

    Args:
        key: what was written.
    """
    return tuple(dict.fromkeys(owner for owner, keys in _all_sections("", SiteFileForm) if key in keys and owner))


def _keys(section: type[Section]) -> tuple[str, ...]:
    return tuple(field.alias or name for name, field in section.model_fields.items())


@cache
def _sections(annotation: object) -> tuple[type[Section], ...]:
    if isinstance(annotation, type) and get_origin(annotation) is None:
        return (annotation,) if issubclass(annotation, Section) else ()
    return tuple(section for part in get_args(annotation) for section in _sections(part))


def _section(annotation: object, here: object) -> type[Section] | None:
    """The one section of several that the data asks for by its shape or kind."""
    candidates = _sections(annotation)
    variant = _variant(here)
    for section in candidates:
        for key in VARIANT_KEYS:
            field = section.model_fields.get(key)
            if field is not None and get_origin(field.annotation) is Literal and variant in get_args(field.annotation):
                return section
    return candidates[0] if candidates else None


def _variant(here: object) -> object:
    """What a section says that it is: its shape, or its kind."""
    return next((here[key] for key in VARIANT_KEYS if key in here), None) if isinstance(here, dict) else None


def _inside(annotation: object, part: str | int, here: object) -> object:
    for form in (annotation, *get_args(annotation)):
        if get_origin(form) is dict:
            return get_args(form)[1]
    if isinstance(part, int):
        return annotation  # of a list: what its entries may be
    section = _section(annotation, here)
    for name, field in section.model_fields.items() if section is not None else ():
        if part == (field.alias or name):
            return field.annotation
    return None


def _all_sections(owner: str, annotation: object) -> Iterator[tuple[str, tuple[str, ...]]]:
    for section in _sections(annotation):
        yield owner, _keys(section)
        for name, field in section.model_fields.items():
            yield from _all_sections(field.alias or name, field.annotation)
