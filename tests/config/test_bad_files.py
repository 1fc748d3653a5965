"""Bad site files: each told with its line, its key and a remedy."""
# ruff: noqa: E501 - a table is read row by row, one a line

from __future__ import annotations

from pathlib import Path

import pytest

from lungfish.config import load_site
from lungfish.errors import ConfigError
from tests.config.samples import GOOD, problems, spoilt

VESSEL = "vessel: {shape: upright-cylinder, diameter: 2.4 m, height: 5 m}"
LINK = "{kind: modbus-tcp, host: 127.0.0.1, port: 5020, timeout: 500 ms}"
LIQUID = "{density: 998.2 kg/m**3}"

# what is spoilt, into what; line, key, a part of what was wrong, a part of what would be right
TABLE: list[tuple[str, str, int | None, str, str, str]] = [
    # keys
    ("diameter:", "diametre:", 18, "tanks.sump.vessel.diametre", "unknown key", "`diameter`"),
    ("tolerates_air:", "tolerates-air:", 16, "tanks.sump.tolerates-air", "unknown key", "`tolerates_air`"),
    ("site:\n", "Site:\n", 1, "Site", "unknown key", "`site`"),
    ("    every:", "    bore: 3 mm\n    every:", 30, "tanks.sump.bore", "unknown key", "belongs under `tube` or `line`"),
    ("    every:", "    colour: red\n    every:", 30, "tanks.sump.colour", "unknown key", "known here: `vented`"),
    ("diameter: 2.4 m, ", "", 18, "tanks.sump.vessel.diameter", "is missing", "`diameter: 2.4 m`"),
    ("    every: 10 min\n", "", 14, "tanks.sump.every", "is missing", "`every: 10 min`"),
    ("    tolerates_air: true\n", "", 14, "tanks.sump.tolerates_air", "is missing", "`tolerates_air: true`"),
    ("  name: Quarry Side pumping station\n", "", 1, "site.name", "is missing", "add `name:"),
    ("    vented: true", "    vented: true\n    vented: true", 16, "tanks.sump.vented", "first on line 15", "keep one"),
    ("  supply: 3 bar", "  <supply: 3 bar\n  supply: 3 bar", 10, "air.<supply", "unknown key", "`supply`"),
    ("site:\n", "<site: 1\nsite:\n", 1, "<site", "unknown key", "`site`"),
    ("site:\n", "'[key]': 1\nsite:\n", 1, "[key]", "unknown key", "known here: `site`"),
    # YAML's surprises
    ("vented: true", "vented: yes", 15, "tanks.sump.vented", "`yes`", "`true` or `false`"),
    ("vented: true", "vented: on", 15, "tanks.sump.vented", "`on`", "`true` or `false`"),
    ("path: quarry-side.db", "path: no", 6, "store.path", "`no`", 'in quotes if it is a word: "no"'),
    ("port: 5020", "port: 0502", 8, "links.panel.port", "begins with a zero", "without the leading zero"),
    ("port: 5020", "port: 0x139c", 8, "links.panel.port", "another base", "decimal"),
    ("port: 5020", "port: 5_020", 8, "links.panel.port", "underscore", "without underscores"),
    ("port: 5020", "port: 5e3", 8, "links.panel.port", "`5e3`", "`1.0e+3`"),
    ("port: 5020", "port: 99999999999999999999", 8, "links.panel.port", "too many digits", "smaller"),
    ("every: 10 min", "every: 00:10:00", 30, "tanks.sump.every", "base 60", "`90 s`"),
    ("name: Quarry Side pumping station", "name: 2026-01-31", 2, "site.name", "is a date", '"2026-01-31"'),
    ("simultaneous: 1", "simultaneous: .inf", 12, "air.simultaneous", "`.inf`", "an ordinary number"),
    ("simultaneous: 1", "simultaneous:", 12, "air.simultaneous", "no value", "delete the key"),
    ("simultaneous: 1", "simultaneous: ~", 12, "air.simultaneous", "no value", "delete the key"),
    ("simultaneous: 1", "simultaneous: !!int 1", 12, "air.simultaneous", "a tag", "delete it"),
    ("simultaneous: 1", "simultaneous: &one 1", 12, "air.simultaneous", "an anchor", "write the values out"),
    ("every: 10 min", "every: *e", 30, "tanks.sump.every", "an alias", "write the values out"),
    ("  supply: 3 bar", "  <<: {a: 1}\n  supply: 3 bar", 10, "air", "a merge key", "write the values out"),
    ("  sump:", "  7:", 14, "tanks", "the key `7`", 'in quotes: "7"'),
    ("  sump:", "  ? [a]\n  : 1\n  sump:", 14, "tanks", "a list or a mapping", "a word"),
    # YAML at all
    ("    vented: true", "\tvented: true", 15, "", "a tab", "spaces"),
    ("    tolerates_air", "   tolerates_air", 16, "", "the indentation does not match", "line the key up"),
    ("    every: 10 min", "    every 10 min", 31, "", "has no colon", "`key: value`"),
    (LIQUID, "{density: 998.2 kg/m**3", 17, "", "`{` is not closed", "close it"),
    ("[0 kPa, 60 kPa]", "[0 kPa, 60 kPa", 28, "", "`[` is not closed", "close it"),
    ("name: Quarry Side pumping station", "name: 'Quarry", 2, "", "a quote is not closed", "the same quote"),
    ("name: Quarry", "name: Quarry: Side", 2, "", "a colon", "in quotes"),
    ("name: Quarry", "name: @Quarry", 2, "", "special character", "in quotes"),
    ("tanks:", "---\ntanks:", 13, "", "a second document", "one site in one file"),
    # quantities
    ("diameter: 2.4 m", "diameter: 2.4", 18, "tanks.sump.vessel.diameter", "`2.4` has no unit", "`diameter: 2.4 m`"),
    ("[0 kPa, 60 kPa]", "[0, 60 kPa]", 28, "tanks.sump.transmitter.span.0", "`0` has no unit", "`span: [0 kPa, 60 kPa]`"),
    ("timeout: 500 ms", "timeout: 500", 8, "links.panel.timeout", "`500` has no unit", "`timeout: 500 ms`"),
    ("flow: 1.5 L/min", "flow: 1,5 L/min", 11, "air.flow", "decimal comma", "decimal point"),
    ("bore: 10 mm", "bore: 3/8 in", 19, "tanks.sump.tube.bore", "a fraction", "`0.375 in`"),
    ("bore: 10 mm", "bore: 10 millimeter2", 19, "tanks.sump.tube.bore", "not a unit of length", "`mm`"),
    ("bore: 10 mm", "bore: 10 MM", 19, "tanks.sump.tube.bore", "`MM` is not a unit", "did you mean `mm`?"),
    ("bore: 10 mm", "bore: 10 m", 19, "tanks.sump.tube.bore", "outside", "from 0.5 mm to 200 mm"),
    ("tip: 100 mm", "tip: -100 mm", 19, "tanks.sump.tube.tip", "outside", "from 0 mm to 50 m"),
    ("tip: 100 mm", "tip: nan m", 19, "tanks.sump.tube.tip", "does not begin with a number", "such as `tip: 100 mm`"),
    ("tip: 100 mm", "tip: 1e400 m", 19, "tanks.sump.tube.tip", "too large", "such as `tip: 100 mm`"),
    ("supply: 3 bar", "supply: 3 barg", 10, "air.supply", "puts gauge or absolute into the unit", "`air.supply` is always gauge"),
    ("supply: 3 bar", "supply: 43.5 psig", 10, "air.supply", "puts gauge or absolute into the unit", "write the unit alone"),
    ("supply: 3 bar", "supply: 3 L", 10, "air.supply", "`L` is not a unit of pressure", "`bar`"),
    ("reads_in: Pa", "reads_in: inH2O", 27, "tanks.sump.transmitter.reads_in", "at which temperature", "`inH2O_68F` (248.6423 Pa)"),
    ("reads_in: Pa", "reads_in: mmH2O", 27, "tanks.sump.transmitter.reads_in", "at which temperature", "`mmH2O_4C` (9.806375 Pa)"),
    ("reads_in: Pa", "reads_in: kg", 27, "tanks.sump.transmitter.reads_in", "not a unit of pressure", "`kPa`"),
    ("reads_in: Pa", "reads_in: 5 kPa", 27, "tanks.sump.transmitter.reads_in", "more than a unit", "such as `Pa`"),
    ("reads_in: Pa", f"reads_in: {'m' * 50}", 27, "tanks.sump.transmitter.reads_in", "too long", "such as `Pa`"),
    ("name: Quarry Side pumping station", f"name: {'Q' * 81}", 2, "site.name", "is no name", "1 to 80"),
    ("name: Quarry Side pumping station", 'name: "a\\tb"', 2, "site.name", "is no name", "printable"),
    ("flow: 1.5 L/min", "flow: 1.5 NL/min", 11, "air.flow", "more than one definition", "`air.reference`"),
    ("flow: 1.5 L/min", "flow: 3 SCFH", 11, "air.flow", "more than one definition", "`air.reference`"),
    (LIQUID, "{density: 0.998}", 17, "tanks.sump.liquid.density", "`0.998` has no unit", "`density: 998.2 kg/m**3`"),
    (LIQUID, "{density: 8.3 lb/gal}", 17, "tanks.sump.liquid.density", "`lb/gal` is not a unit", "`lb/ft**3`"),
    (LIQUID, "998.2 kg/m**3", 17, "tanks.sump.liquid", "where a section belongs", "{density: 998.2 kg/m**3}"),
    # words and numbers
    ("shape: upright-cylinder", "shape: upright-cilinder", 18, "tanks.sump.vessel.shape", "is not one of", "`upright-cylinder`"),
    ("shape: upright-cylinder", "shape: barrel", 18, "tanks.sump.vessel.shape", "`barrel`", "rectangle | sphere"),
    ("shape: upright-cylinder, ", "", 18, "tanks.sump.vessel.shape", "is missing", "`shape: upright-cylinder`"),
    ("tee: valve-end", "tee: valve", 20, "tanks.sump.line.tee", "`valve`", "`valve-end`"),
    ("format: float32", "format: real", 26, "tanks.sump.transmitter.format", "`real`", "int16 | uint16"),
    ("kind: modbus-tcp", "kind: profinet", 8, "links.panel.kind", "`profinet`", "modbus-tcp | modbus-rtu"),
    ("kind: modbus-tcp", "kind: modbus-rut", 8, "links.panel.kind", "is not one of", "`modbus-rtu`"),
    ("kind: modbus-tcp, ", "", 8, "links.panel.kind", "is missing", "`kind: modbus-tcp`"),
    (LINK, "{kind: modbus-rtu}", 8, "links.panel.port", "is missing", "`port: /dev/ttyUSB0`"),
    (LINK, "{kind: modbus-rtu, port: COM3}", 8, "links.panel.port", "no serial port", "such as `/dev/ttyUSB0`"),
    (LINK, "{kind: modbus-rtu, port: 502}", 8, "links.panel.port", "is no text", "`port: /dev/ttyUSB0`"),
    (LINK, "{kind: modbus-rtu, port: /dev/ttyS0, baud: 19201}", 8, "links.panel.baud", "`19201`", "9600 | 19200 | 38400"),
    (LINK, "{kind: modbus-rtu, port: /dev/ttyS0, parity: evn}", 8, "links.panel.parity", "`evn`", "`even`"),
    (LINK, "{kind: modbus-rtu, port: /dev/ttyS0, stop_bits: 3}", 8, "links.panel.stop_bits", "`3`", "1 | 2"),
    (LINK, "{kind: modbus-rtu, port: /dev/ttyS0, turnround: 1 ms}", 8, "links.panel.turnround", "unknown key", "`turn_round`"),
    (LINK, "{kind: modbus-rtu, port: /dev/ttyS0, host: b}", 8, "links.panel.host", "unknown key", "known here: `kind`, `port`, `baud`"),
    (LINK, "{kind: modbus-rtu-tcp, host: b}", 8, "links.panel.port", "is missing", "`port: 502`"),
    (LINK, "{kind: modbus-tcp, host: b, tls: {ca: a.pem}}", 8, "links.panel.tls.ca", "there is no file", "PEM format"),
    ("{kind: modbus-tcp,", "{kind: modbus-tcp, tls: {server: x},", 8, "links.panel.tls.server", "unknown key", "`server_name`"),
    ("port: 5020", "port: 70000", 8, "links.panel.port", "too large", "at most 65535"),
    ("register: 0", "register: -1", 25, "tanks.sump.transmitter.register", "too small", "at least 0"),
    ("register: 0", "register: 0.5", 25, "tanks.sump.transmitter.register", "no whole number", "`register: 0`"),
    ("register: 0", "register: '0'", 25, "tanks.sump.transmitter.register", "no whole number", "without quotes"),
    ("simultaneous: 1", "simultaneous: 0", 12, "air.simultaneous", "too small", "at least 1"),
    ("vented: true", "vented: 1", 15, "tanks.sump.vented", "neither true nor false", "`true` or `false`"),
    ("[0 kPa, 60 kPa]", "60 kPa", 28, "tanks.sump.transmitter.span", "no list", "in square brackets"),
    ("[0 kPa, 60 kPa]", "[0 kPa]", 28, "tanks.sump.transmitter.span.1", "only one value", "two values"),
    ("[0 kPa, 60 kPa]", "[0 kPa, 1 kPa, 2 kPa]", 28, "tanks.sump.transmitter.span", "too many", "at most 2"),
    ("host: 127.0.0.1", "host: http://127.0.0.1", 8, "links.panel.host", "web address", "`192.0.2.10`"),
    ("host: 127.0.0.1", "host: 127.0.0.1:502", 8, "links.panel.host", "a port as well", "under `port`"),
    ("host: 127.0.0.1", "host: i/o block", 8, "links.panel.host", "is no host", "a host name"),
    ("timezone: Europe/London", "timezone: London", 3, "site.timezone", "no IANA time zone", "`Europe/London`"),
    ("timezone: Europe/London", "timezone: Europe/Lundon", 3, "site.timezone", "no IANA time zone", "`Europe/London`"),
    ("timezone: Europe/London", "timezone: ../../etc/passwd", 3, "site.timezone", "no IANA time zone", "or `UTC`"),
    ("  sump:", "  wet well:", 14, "tanks.wet well", "`wet well` is no name", "letters, digits"),
    ("path: quarry-side.db", 'path: "a\\tb"', 6, "store.path", "no path", "printable"),
    ("path: quarry-side.db", "path: nowhere/quarry.db", 6, "store.path", "no directory", "a directory that exists"),
    ("path: quarry-side.db", "path: .", 6, "store.path", "is a directory", "`path: readings.db`"),
    # what does not fit together
    ("vented: true", "vented: false", 15, "tanks.sump.vented", "would read as level", "vent it"),
    ("tolerates_air: true", "tolerates_air: false", 16, "tanks.sump.tolerates_air", "blows air", "leave this tank out"),
    ("gravity: 9.80665 m/s**2", "gravity: 9.80665 m/s**2\n  latitude: 52 deg", 4, "site.gravity", "latitude as well", "keep one"),
    (LIQUID, "{density: water}", 17, "tanks.sump.liquid.temperature", "is missing", "`temperature: 15 degC`"),
    (LIQUID, "{density: water, temperature: 55 degC}", 17, "tanks.sump.liquid.density", "0 to 40 degC", "state the density"),
    (LIQUID, "{density: 998 kg/m3, temperature: 9 degC}", 17, "tanks.sump.liquid.temperature", "at any", "delete it"),
    (LIQUID, "{density: [[0 degC, 1200 kg/m3], [9 degC, 1190 kg/m3]], temperature: 20 degC}", 17, "tanks.sump.liquid.density", "is outside", "holds the temperature"),
    (LIQUID, "{density: [[9 degC, 1200 kg/m3], [0 degC, 1190 kg/m3]], temperature: 5 degC}", 17, "tanks.sump.liquid.density", "must rise", "a table"),
    (LIQUID, "{density: [[0 degC, 1200 kg/m3]], temperature: 5 degC}", 17, "tanks.sump.liquid.density", "too few", "at least 2"),
    (VESSEL, "vessel: {shape: upright-cylinder, diameter: 2.4 m, height: 5 m, bottom: {shape: cone, depth: 6 m}}", 18, "tanks.sump.vessel", "deeper", "inside"),
    (VESSEL, "vessel: {shape: upright-cylinder, diameter: 2.4 m, height: 5 m, bottom: cone}", 18, "tanks.sump.vessel.bottom", "where a section belongs", "{shape: cone"),
    (VESSEL, "vessel: {shape: strapping-table, table: [[0 m, 0 m3], [5 m, 9 m3], [4 m, 10 m3]]}", 18, "tanks.sump.vessel", "row 3 has 4 after 5", "again"),
    (VESSEL, "vessel: {shape: strapping-table, table: [[0 m, 0 m3], [5, 9 m3]]}", 18, "tanks.sump.vessel.table.1.0", "`5` has no unit", "[1 m, 4.2 m**3]"),
    ("tip: 100 mm", "tip: 5.2 m", 19, "tanks.sump.tube.tip", "not inside the vessel, which is 5 m", "below 5 m"),
    ("[0 kPa, 60 kPa]", "[60 kPa, 0 kPa]", 28, "tanks.sump.transmitter.span", "does not rise", "least pressure first"),
    ("[0 kPa, 60 kPa]", "[0 kPa, 40 kPa]", 28, "tanks.sump.transmitter.span", "a full tank gives 47.8", "at least 50 kPa"),
    ("[0 kPa, 60 kPa]", "[0 kPa, 48 kPa]", 28, "tanks.sump.transmitter.span", "with the valve open", "`tee: tube-end`"),
    ("[0 kPa, 60 kPa]", "[1 kPa, 60 kPa]", 28, "tanks.sump.transmitter.span", "an uncovered tip gives 0 Pa", "0 Pa or below"),
    ("format: float32", "format: int16", 26, "tanks.sump.transmitter.format", "from -32.77 kPa to 32.77 kPa", "wider format"),
    ("reads_in: Pa", "reads_in: Pa\n      scale: 0", 28, "tanks.sump.transmitter.scale", "every reading the same", "one count"),
    ("reads_in: Pa", "reads_in: Pa\n      height: 90 m", 28, "tanks.sump.transmitter.height", "reach (25 m)", "from the tip"),
    ("supply: 3 bar", "supply: 0.4 bar", 10, "air.supply", "can't push the air out under a full `sump`", "a higher supply"),
    ("line: {bore: 4.3 mm, length: 20 m", "line: {bore: 1 mm, length: 200 m", 10, "air.supply", "line ", "wider or shorter line"),
    ("max_open: 90 s", "max_open: 20 s", 29, "tanks.sump.valve.max_open", "longer than the 20 s", "raise `air.flow`"),
    ("every: 10 min", "every: 80 s", 30, "tanks.sump.every", "due after 80 s", "more than 90 s"),
    ("register: 0", "register: 65535", 25, "tanks.sump.transmitter.register", "takes 2 registers", "65534 or less"),
    ("coil: 0", "coil: 0, register: 3", 29, "tanks.sump.valve", "both stated", "one of them"),
    ("coil: 0, ", "", 29, "tanks.sump.valve", "neither `coil` nor `register`", "one of them"),
    ("coil: 0", "register: 0, open_value: 0", 29, "tanks.sump.valve", "the same value", "two different"),
    ("coil: 0", "coil: 0, open_value: 5", 29, "tanks.sump.valve", "a coil has no `open_value`", "`active: low`"),
    ("coil: 0", "register: 9, active: low", 29, "tanks.sump.valve.active", "not a register", "`open_value`"),
    ("coil: 0", "coil: 0, bit: 3", 29, "tanks.sump.valve.bit", "one bit already", "`register` instead"),
    ("coil: 0", "register: 9, bit: 16", 29, "tanks.sump.valve.bit", "too large", "at most 15"),
    ("coil: 0", "register: 9, mask_write: true", 29, "tanks.sump.valve.mask_write", "one bit of a register", "add `bit`"),
    ("coil: 0", "register: 9, bit: 3, open_value: 8", 29, "tanks.sump.valve", "a bit has no `open_value`", "`active: low`"),
    ("coil: 0", "coil: 0, pulse: {register: 7}", 29, "tanks.sump.valve.pulse.unit_time", "is missing", "`unit_time: 100 ms`"),
    ("coil: 0", "coil: 0, pulse: {register: 7, unit_time: 100}", 29, "tanks.sump.valve.pulse.unit_time", "no unit", "`unit_time: 100 ms`"),
    ("coil: 0", "coil: 0, pulse: {register: 7, unit_time: 100 ms, most: 255}", 29, "tanks.sump.valve.max_open", "counts to 255 x 0.1 s", "write 25 s or less"),
    ("coil: 0", "register: 7, pulse: {register: 7, unit_time: 100 ms}", 29, "tanks.sump.valve.pulse.register", "could not be read back", "another one here"),
    ("coil: 0", "coil: 0, limit_switch: {link: panel, unit: 1}", 29, "tanks.sump.valve.limit_switch", "where to read", "one of `input` and `coil`"),
    ("coil: 0", "coil: 0, limit_switch: {link: panel, unit: 1, coil: 0}", 29, "tanks.sump.valve.limit_switch.coil", "uses the same coils", "its own address"),
    ("coil: 0", "coil: 0, limit_switch: {link: panel, unit: 1, input: 0, says: closed}", 29, "tanks.sump.valve.limit_switch.says", "`closed`", "shut | open"),
    ("coil: 0", "coil: 0, limit_swich: {link: panel, unit: 1, input: 0}", 29, "tanks.sump.valve.limit_swich", "unknown key", "`limit_switch`"),
    ("valve: {link: panel", "valve: {link: panle", 29, "tanks.sump.valve.link", "no link `panle`", "`panel`"),
    ("      link: panel", "      link: rack-2", 22, "tanks.sump.transmitter.link", "no link `rack-2`", "add it under `links`"),
]  # fmt: skip


@pytest.mark.parametrize(
    ("old", "new", "line", "key", "wrong", "right"), TABLE, ids=[f"{row[3]}={row[1][:30]!r}" for row in TABLE]
)
def test_a_bad_file_is_told_with_line_key_and_remedy(
    tmp_path: Path, old: str, new: str, line: int | None, key: str, wrong: str, right: str
) -> None:
    found = problems(spoilt(old, new), tmp_path)

    assert len(found) == 1, [problem.told("site.yaml") for problem in found]
    assert (found[0].line, found[0].key) == (line, key)
    assert wrong in found[0].wrong
    assert right in found[0].right


BYTES: list[tuple[bytes, int | None, str, str]] = [
    (b"", 1, "the file is empty", "begin with `site:`"),
    (b"# nothing yet\n", 1, "the file is empty", "begin with `site:`"),
    (b"- a\n- b\n", 1, "not a list of keys", "begin with `site:`"),
    (b"hello\n", 1, "not a list of keys", "begin with `site:`"),
    (b"site:\n  name: caf\xe9\n", 2, "byte 0xe9 is not UTF-8", "save the file as UTF-8"),
    ("site: 1".encode("utf-16"), 1, "UTF-16", "save it as UTF-8"),
    (b"site:\n  name: a\x00b\n", 2, "a control character (U+0000)", "delete it"),
    (b"site:\n  name: \x1b[31mred\n", 2, "a control character (U+001B)", "delete it"),
    (b"a: " + b"[" * 60 + b"]" * 60, 1, "the nesting is too deep", "the example site file"),
    (b"[" * 100_000, 1, "the nesting is too deep", "the example site file"),
    (b"x: y\n" * 60_000, None, "the file has 262145 bytes", "at most 262144"),
    (b"a: &a [x, x]\nb: &b [*a, *a]\nc: [*b, *b]\n", 1, "an anchor", "write the values out"),
    (b"? 7", 1, "the key `7` is not a word", 'in quotes: "7"'),
    (b"a:\n\n\n", 1, "there is no value", "delete the key"),
    (b"%YAML 3.0\n---\na: 1\n", 1, "YAML version", "delete the line"),
]


@pytest.mark.parametrize(("content", "line", "wrong", "right"), BYTES, ids=[row[2] for row in BYTES])
def test_bytes_that_are_no_site_file_are_told(
    tmp_path: Path, content: bytes, line: int | None, wrong: str, right: str
) -> None:
    file = tmp_path / "site.yaml"
    file.write_bytes(content)

    with pytest.raises(ConfigError) as caught:
        load_site(file)

    first = caught.value.problems[0]
    assert first.line == line
    assert wrong in first.wrong
    assert right in first.right


def test_a_file_that_is_not_there_is_told_without_a_line(tmp_path: Path) -> None:
    with pytest.raises(ConfigError) as caught:
        load_site(tmp_path / "none.yaml")

    assert str(caught.value) == (
        f"{tmp_path / 'none.yaml'}: can't be read (No such file or directory); "
        "give the path of a site file that you may read"
    )


def test_every_problem_is_told_at_once_in_the_file_s_order(tmp_path: Path) -> None:
    text = GOOD
    for old, new in (
        ("timezone: Europe/London", "timezone: Lundon"),
        ("port: 5020", "port: 0502"),
        ("supply: 3 bar", "supply: 3"),
        ("diameter:", "diametre:"),
        ("tee: valve-end", "tee: middle"),
    ):
        assert text.count(old) == 1
        text = text.replace(old, new)

    found = problems(text, tmp_path)

    assert [(problem.line, problem.key) for problem in found] == [
        (3, "site.timezone"),
        (8, "links.panel.port"),
        (10, "air.supply"),
        (18, "tanks.sump.vessel.diametre"),
        (20, "tanks.sump.line.tee"),
    ]


def test_a_sound_tank_is_held_against_the_rest_while_another_is_misspelt(tmp_path: Path) -> None:
    second = GOOD[GOOD.index("  sump:") :].replace("  sump:", "  silo:").replace("diameter:", "diametre:")
    text = spoilt("max_open: 90 s", "max_open: 20 s") + second

    keys = [problem.key for problem in problems(text, tmp_path)]

    assert keys == ["tanks.sump.valve.max_open", "tanks.silo.vessel.diametre"]


def test_two_tanks_on_one_coil_are_told_with_both_lines(tmp_path: Path) -> None:
    second = GOOD[GOOD.index("  sump:") :].replace("  sump:", "  silo:").replace("register: 0", "register: 2")

    found = problems(GOOD + second, tmp_path)

    assert [(problem.line, problem.key) for problem in found] == [(46, "tanks.silo.valve.coil")]
    assert "`sump`" in found[0].wrong
    assert "line 29" in found[0].wrong
    assert "purge each other" in found[0].right


def test_one_coil_reached_over_two_links_is_still_one_coil(tmp_path: Path) -> None:
    link = "  panel: {kind: modbus-tcp, host: 127.0.0.1, port: 5020, timeout: 500 ms}\n"
    second = GOOD[GOOD.index("  sump:") :].replace("  sump:", "  silo:").replace("register: 0", "register: 2")
    text = GOOD.replace(link, link + link.replace("panel", "other")) + second.replace("link: panel", "link: other")

    assert [problem.key for problem in problems(text, tmp_path)] == ["tanks.silo.valve.coil"]


def test_registers_that_overlap_are_told(tmp_path: Path) -> None:
    second = GOOD[GOOD.index("  sump:") :].replace("  sump:", "  silo:").replace("coil: 0", "coil: 1")

    found = problems(GOOD + second.replace("register: 0", "register: 1"), tmp_path)

    assert [problem.key for problem in found] == ["tanks.silo.transmitter.register"]
    assert problems(GOOD + second.replace("register: 0", "register: 2"), tmp_path) == ()


def test_tanks_that_would_share_a_topic_are_told(tmp_path: Path) -> None:
    second = GOOD[GOOD.index("  sump:") :].replace("register: 0", "register: 2").replace("coil: 0", "coil: 1")
    text = GOOD.replace("  sump:", "  kälte:") + second.replace("  sump:", "  külte:")

    found = problems(text, tmp_path)

    assert [problem.key for problem in found] == ["tanks.külte"]
    assert "`k-lte`" in found[0].wrong


def test_an_escape_in_a_file_can_t_forge_a_line_of_the_log(tmp_path: Path) -> None:
    text = spoilt("      link: panel", '      link: "x\\n<0>all is well\\e[2J"')

    told = problems(text, tmp_path)[0].told("site.yaml")

    assert told.isprintable()
    assert "\\u000a<0>all is well\\u001b" in told


def test_a_computer_without_time_zones_is_told_what_to_install(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("lungfish.config.fields._zones", frozenset)

    found = problems(spoilt("Europe/London", "Europe/Nowhere"), tmp_path)

    assert [problem.key for problem in found] == ["site.timezone"]
    assert "`tzdata`" in found[0].right
