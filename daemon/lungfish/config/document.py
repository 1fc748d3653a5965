"""Bytes to plain data with line numbers: YAML without its surprises.

YAML 1.1, which the library speaks, turns `no` into a switch, `12:30:00` into 45000 and `017` into 15, lets a key stand
twice and lets a few lines swell to gigabytes through aliases. Here each of these is an error with its line. What is
left means the same to every YAML reader.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Final

import yaml

from lungfish.errors import Problem

__all__ = ["MAX_BYTES", "MAX_DEPTH", "Document", "KeyPath", "Unreadable", "read_document"]

MAX_BYTES: Final = 256 * 1024
"""Largest site file, bytes: a hundred tanks take about 80 KiB."""

MAX_DEPTH: Final = 12
"""Deepest nesting; a site file needs 6."""

KeyPath = tuple[str | int, ...]
"""Keys and list positions from the top of the file to a value."""

_Loader: type[yaml.CSafeLoader] | type[yaml.SafeLoader] = getattr(yaml, "CSafeLoader", yaml.SafeLoader)


class Unreadable(Exception):
    """The text is no YAML at all: nothing after this place can be told. It never leaves this package."""

    def __init__(self, problem: Problem) -> None:
        """Carry the one problem.

        Args:
            problem: what and where.
        """
        self.problem = problem
        super().__init__(problem.wrong)


@dataclass(slots=True)
class Document:
    """Plain data with the line of everything in it."""

    data: dict[str, object] = field(default_factory=dict)
    """The top mapping."""
    lines: dict[KeyPath, int] = field(default_factory=dict)
    """Line, from 1, of each key and list item."""
    problems: list[Problem] = field(default_factory=list)
    """What was refused so far."""
    refused: set[KeyPath] = field(default_factory=set)
    """Where `data` has no usable value because it was refused: to be silent about."""
    incomplete: set[KeyPath] = field(default_factory=set)
    """Sections that lack a key because it was refused."""

    def line(self, path: KeyPath) -> int:
        """Line of a value, or of the nearest thing that holds it.

        Args:
            path: keys from the top.
        """
        for length in range(len(path), 0, -1):
            if path[:length] in self.lines:
                return self.lines[path[:length]]
        return 1


# What a plain scalar may not look like, why, and what to write instead.
_SURPRISES: Final = tuple(
    (re.compile(pattern), wrong, right)
    for pattern, wrong, right in (
        (
            r"(?:y|Y|yes|Yes|YES|n|N|no|No|NO|on|On|ON|off|Off|OFF)",
            "is a switch to some YAML readers and a word to others",
            'write `true` or `false`, or put it in quotes if it is a word: "{0}"',
        ),
        (
            r"[-+]?0[0-9_]+",
            "begins with a zero: some YAML readers take it as octal",
            "write the number without the leading zero",
        ),
        (
            r"[-+]?0[xXoObB][0-9a-fA-F_]+",
            "is a number in another base than ten, which not every YAML reader knows",
            "write it as a decimal number",
        ),
        (r"[-+]?[0-9][0-9,]*_[0-9_,.]*", "has an underscore in a number", "write the digits without underscores"),
        (
            r"[-+]?[0-9][0-9_]*(?::[0-5]?[0-9])+(?:\.[0-9_]*)?",
            "is a number to base 60 to some YAML readers",
            "write a duration with its unit, such as `90 s`, or put it in quotes if it is text",
        ),
        (
            r"[-+]?(?:[0-9]+\.?|[0-9]*\.[0-9]+)[eE][0-9]+|[-+]?[0-9]+[eE][-+][0-9]+",
            "is a number to some YAML readers and text to others",
            "write it out, such as `1000`, or as `1.0e+3`",
        ),
        (
            r"[-+]?\.(?:inf|Inf|INF)|\.(?:nan|NaN|NAN)",
            "is not a number that can be measured",
            "write an ordinary number",
        ),
        (
            r"[0-9]{4}-[0-9]{1,2}-[0-9]{1,2}(?:[Tt ].*)?",
            "is a date to some YAML readers and text to others",
            'put it in quotes: "{0}"',
        ),
        (r"=", "is a special value in YAML", 'put it in quotes: "{0}"'),
    )
)
_INT: Final = re.compile(r"[-+]?(?:0|[1-9][0-9]{0,17})")
_FLOAT: Final = re.compile(r"[-+]?(?:[0-9]+\.[0-9]*|\.[0-9]+)(?:[eE][-+][0-9]{1,3})?")
_DIGITS: Final = re.compile(r"[-+]?[0-9]+")

_REFUSED: Final = object()
_MERGE: Final = "<<"
_SWITCHED: Final = "watch"
"""The key that may be `off`, which its form takes as a word and as a switch."""


def read_document(content: bytes) -> Document:
    """Read a site file's bytes.

    Args:
        content: the file, in UTF-8.

    Returns:
        Plain data (dict, list, str, int, float, bool) with lines and with the problems met so far.

    Raises:
        Unreadable: not text, not YAML, too large, or no mapping at the top.
    """
    text = _decoded(content)
    document = Document()
    builder = _Builder(document, len(text.splitlines()) or 1)
    try:
        builder.feed(yaml.parse(text, Loader=_Loader))
    except yaml.YAMLError as error:
        raise Unreadable(_syntax_problem(error, text)) from None
    if not isinstance(builder.root, dict):
        if document.problems:
            raise Unreadable(document.problems[0])
        raise Unreadable(
            Problem(
                1,
                "",
                "the file is empty" if builder.root is _REFUSED else "the file is not a list of keys with values",
                "begin with `site:` and its keys",
            )
        )
    document.data = builder.root
    return document


def _decoded(content: bytes) -> str:
    if len(content) > MAX_BYTES:
        raise Unreadable(
            Problem(
                None,
                "",
                f"the file has {len(content)} bytes",
                f"a site file has at most {MAX_BYTES}: split the site, or look whether this is the right file",
            )
        )
    if content.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise Unreadable(Problem(1, "", "the file is in UTF-16", "save it as UTF-8"))
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        raise Unreadable(
            Problem(line, "", f"byte 0x{content[error.start]:02x} is not UTF-8", "save the file as UTF-8 text")
        ) from None
    unprintable = re.search(r"[^\t\n\r\x20-\x7e\xa0-\ud7ff\ue000-\ufefe\uff00-\ufffd\U00010000-\U0010ffff]", text)
    if unprintable is not None:
        line = text.count("\n", 0, unprintable.start()) + 1
        raise Unreadable(Problem(line, "", f"there is a control character (U+{ord(unprintable[0]):04X})", "delete it"))
    return text


_SYNTAX: Final = (
    (
        "mapping values are not allowed",
        "a colon stands where no key can be",
        "check the indentation, give each key its own line, and put text with a colon in quotes",
    ),
    ("could not find expected ':'", "a key has no colon", "write `key: value`, with a space after the colon"),
    (
        "did not find expected ',' or '}'",
        "a `{` is not closed, or a comma is missing in it",
        "write {key: value, key: value} and close it",
    ),
    (
        "did not find expected ',' or ']'",
        "a `[` is not closed, or a comma is missing in it",
        "write [value, value] and close it",
    ),
    (
        "did not find expected key",
        "the indentation does not match the lines above",
        "line the key up with the other keys of its section",
    ),
    ("unexpected end of stream", "a quote is not closed", "close it with the same quote"),
    ("cannot start any token", "a special character begins a value", "put the value in quotes"),
    ("unknown escape character", "a backslash begins an unknown escape", "use single quotes, or double the backslash"),
    ("undefined alias", "there is an alias (`*name`) of nothing", "write the values out"),
    ("nesting depth", "the nesting is too deep", "see the example site file for the shape"),
    ("incompatible YAML document", "the file asks for a YAML version", "delete the line with `%YAML`"),
)


def _syntax_problem(error: yaml.YAMLError, text: str) -> Problem:
    mark, begun = getattr(error, "problem_mark", None), getattr(error, "context_mark", None)
    said = str(getattr(error, "problem", None) or getattr(error, "context", None) or error).splitlines()[0]
    lines = text.split("\n")
    at = min(mark.line, len(lines) - 1) if mark is not None else 0
    if "\t" in lines[at][: len(lines[at]) - len(lines[at].lstrip())]:
        return Problem(at + 1, "", "a tab stands where YAML wants spaces", "indent with spaces")
    for sign, wrong, right in _SYNTAX:
        if sign in said:
            # What was never closed is told where it begins: the end of the file helps nobody.
            opened = begun.line if begun is not None and "is not closed" in wrong else at
            return Problem(opened + 1, "", wrong, right)
    return Problem(at + 1, "", f"this is no YAML ({said})", "look at this line and the one above it")


@dataclass(slots=True)
class _Open:
    """A mapping or list whose end has not come yet."""

    value: dict[str, object] | list[object]
    path: KeyPath
    key: str | None = None
    key_line: int = 0
    skip: bool = False


class _Builder:
    """Turns the parser's events into plain data; a stack instead of recursion, so depth costs nothing."""

    def __init__(self, document: Document, last_line: int) -> None:
        self.root: object = _REFUSED
        self._last_line = last_line
        self._document = document
        self._stack: list[_Open] = []
        self._documents = 0

    def feed(self, events: Iterator[yaml.Event]) -> None:
        for event in events:
            # What is missing at the end of the file is marked beyond it.
            line = min(event.start_mark.line + 1, self._last_line) if event.start_mark is not None else 1
            if isinstance(event, yaml.DocumentStartEvent):
                self._documents += 1
                if self._documents > 1:
                    raise Unreadable(Problem(line, "", "a second document begins here", "keep one site in one file"))
            elif isinstance(event, yaml.AliasEvent):
                self._refuse(line, f"there is an alias (`*{event.anchor}`)", "write the values out")
                self._add(_REFUSED, line)
            elif isinstance(event, yaml.NodeEvent):
                self._node(event, line)
            elif isinstance(event, yaml.MappingEndEvent | yaml.SequenceEndEvent):
                self._stack.pop()

    def _node(self, event: yaml.NodeEvent, line: int) -> None:
        if event.anchor is not None:
            self._refuse(line, f"there is an anchor (`&{event.anchor}`)", "write the values out where they are needed")
        tag = getattr(event, "tag", None)
        if tag is not None:
            self._refuse(line, f"there is a tag (`{tag[:40]}`)", "delete it")
        if isinstance(event, yaml.ScalarEvent):
            self._add(self._scalar(event, line), line)
            return
        value: dict[str, object] | list[object] = {} if isinstance(event, yaml.MappingStartEvent) else []
        if self._wants_key():
            self._refuse(line, "a key is a list or a mapping", "write a word as the key")
            self._stack[-1].skip = True
            opened = _Open(value, (*self._here(), "?"))
        else:
            opened = _Open(value, self._add(value, line))
        if len(self._stack) >= MAX_DEPTH:
            raise Unreadable(
                Problem(
                    line, _dotted(opened.path), "the nesting is too deep", "see the example site file for the shape"
                )
            )
        self._stack.append(opened)

    def _wants_key(self) -> bool:
        top = self._stack[-1] if self._stack else None
        return top is not None and isinstance(top.value, dict) and top.key is None and not top.skip

    def _here(self) -> KeyPath:
        if not self._stack:
            return ()
        top = self._stack[-1]
        if isinstance(top.value, list):
            return (*top.path, len(top.value))
        return top.path if top.key is None else (*top.path, top.key)

    def _refuse(self, line: int, wrong: str, right: str) -> None:
        self._document.problems.append(Problem(line, _dotted(self._here()), wrong, right))

    def _add(self, value: object, line: int) -> KeyPath:
        """Put a value where the last events say; a scalar in a mapping may be its key."""
        if not self._stack:
            self.root = value
            return ()
        top = self._stack[-1]
        if isinstance(top.value, list):
            path = (*top.path, len(top.value))
            top.value.append(None if value is _REFUSED else value)
            if value is _REFUSED:
                self._document.refused.add(path)
            self._document.lines[path] = line
            return path
        if top.skip:  # the value of a refused key
            top.skip = False
            return (*top.path, "?")
        if top.key is None:
            self._key(top, value, line)
            return top.path
        path = (*top.path, top.key)
        if value is _REFUSED:
            self._document.refused.add(path)
        else:
            top.value[top.key] = value
        self._document.lines[path] = top.key_line
        top.key = None
        return path

    def _key(self, top: _Open, key: object, line: int) -> None:
        first = self._document.lines.get((*top.path, str(key)))
        if isinstance(key, str) and key != _MERGE and first is None:
            top.key, top.key_line = key, line
            return
        top.skip = True
        self._document.incomplete.add(top.path)
        if not isinstance(key, str):
            if key is not _REFUSED:
                self._refuse(line, f"the key `{key}` is not a word", f'put it in quotes: "{key}"')
        elif key == _MERGE:
            self._refuse(line, "there is a merge key (`<<`)", "write the values out")
        else:
            self._document.problems.append(
                Problem(
                    line,
                    _dotted((*top.path, key)),
                    f"the key stands twice, first on line {first}",
                    "keep one of the two",
                )
            )

    def _scalar(self, event: yaml.ScalarEvent, line: int) -> object:
        text = event.value
        if event.style:  # quoted, or a block of text
            return text
        if text in {"", "~", "null", "Null", "NULL"}:
            self._refuse(line, "there is no value", "write one, or delete the key")
            return _REFUSED
        if text.lower() in {"true", "false"}:
            return text.lower() == "true"
        if text in {"on", "off"} and self._here()[-1:] == (_SWITCHED,):
            return text  # read as a switch it means the same
        for pattern, wrong, right in _SURPRISES:
            if pattern.fullmatch(text):
                self._refuse(line, f"`{text[:40]}` {wrong}", right.format(text[:40]))
                return _REFUSED
        if _INT.fullmatch(text):
            return int(text)
        if _DIGITS.fullmatch(text):
            self._refuse(line, f"`{text[:40]}` has too many digits", "write a smaller number")
            return _REFUSED
        if _FLOAT.fullmatch(text):
            return float(text)
        return text


def _dotted(path: KeyPath) -> str:
    return ".".join(str(part) for part in path)
