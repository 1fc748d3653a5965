"""From what the form's check says to what a person can act on: line, key, what was wrong, what would be right."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from typing import Any, Final

from pydantic import ValidationError

from lungfish.config.document import Document, KeyPath
from lungfish.config.keys import EXAMPLES, example, form_path, known_keys, nearest, owners
from lungfish.errors import Problem

__all__ = ["dotted", "form_problems"]


def dotted(path: KeyPath) -> str:
    """A path as it is told: keys joined by dots.

    Args:
        path: keys from the top.
    """
    return ".".join(str(part) for part in path)


def form_problems(error: ValidationError, document: Document) -> Iterator[Problem]:
    """Every problem of a form, each at its line.

    Args:
        error: from the form's check.
        document: what was checked. Places that were refused on reading are passed over.
    """
    for detail in error.errors(include_url=False):
        path = form_path(detail["loc"], document.data)
        if any(path[:length] in document.refused for length in range(1, len(path) + 1)):
            continue
        kind = detail["type"]
        context: Mapping[str, Any] = detail.get("ctx", {})
        if kind == "union_tag_not_found":
            path = (*path, "shape")
            kind = "missing"
        wrong, right = _words(kind, path, detail["input"], context, document, detail["msg"])
        yield Problem(document.line(path), dotted(path), wrong, right)


def _words(
    kind: str, path: KeyPath, value: object, context: Mapping[str, Any], document: Document, said: str
) -> tuple[str, str]:
    key = str(path[-1]) if path else ""
    if kind == "told":
        return str(context["wrong"]), str(context["right"])
    if kind == "missing":
        return _missing(path)
    if kind == "extra_forbidden":
        return _unknown(path, document)
    if kind in {"literal_error", "union_tag_invalid"}:
        return _choice(key, value, context)
    words = _PLAIN.get(kind)
    if words is None:
        return f"{_shown(value)} is not allowed here ({said})", f"write something like {example(key)}"
    wrong, right = words
    return wrong.format(shown=_shown(value), **context), right(key, context)


def _missing(path: KeyPath) -> tuple[str, str]:
    if isinstance(path[-1], int):
        return "the row has one value", "write two values in square brackets"
    return "is missing", f"add {example(path[-1])}"


def _unknown(path: KeyPath, document: Document) -> tuple[str, str]:
    key = str(path[-1])
    known = known_keys(path[:-1], document.data)
    close = nearest(key, known)
    if close is not None:
        return "unknown key", f"did you mean `{close}`?"
    elsewhere = [owner for owner in owners(key) if owner not in path[:-1]]
    if elsewhere:
        return "unknown key", f"`{key}` belongs under {' or '.join(f'`{owner}`' for owner in elsewhere)}"
    anywhere = nearest(key, tuple(EXAMPLES))
    if anywhere is not None and owners(anywhere):
        return "unknown key", f"did you mean `{anywhere}`, which belongs under `{owners(anywhere)[0]}`?"
    return "unknown key", f"known here: {', '.join(f'`{word}`' for word in known)}"


def _choice(key: str, value: object, context: Mapping[str, Any]) -> tuple[str, str]:
    allowed = str(context.get("expected") or context.get("expected_tags", "")).replace(" or ", ", ")
    words = tuple(word.strip().strip("'") for word in allowed.split("',")) if allowed else ()
    words = tuple(word.strip().strip("'") for word in words)
    written = context.get("tag", value)
    close = nearest(written, words) if isinstance(written, str) else None
    listed = " | ".join(words)
    shown = _shown(written)
    if close is not None and len(words) > 1:
        return f"{shown} is not one of {listed}", f"did you mean `{close}`?"
    return f"{shown} is not known here", f"write {listed}" if len(words) == 1 else f"write one of {listed}"


def _shown(value: object) -> str:
    if isinstance(value, dict):
        return "a section"
    if isinstance(value, list | tuple):
        return "a list"
    if isinstance(value, bool):
        return f"`{str(value).lower()}`"
    text = str(value)
    return f"`{text}`" if len(text) <= 40 else f"`{text[:37]}...`"


def _such_as(key: str, context: Mapping[str, Any]) -> str:
    return f"write something like {example(key)}"


def _section(key: str, context: Mapping[str, Any]) -> str:
    return f"write its keys under it, such as {example(key)}" if key in EXAMPLES else "write its keys under it"


def _bound(sign: str) -> Callable[[str, Mapping[str, Any]], str]:
    def right(key: str, context: Mapping[str, Any]) -> str:
        limit = next(value for name, value in context.items() if name in {"ge", "le", "gt", "lt"})
        return f"write a number {sign} {limit:g}"

    return right


_PLAIN: Final[Mapping[str, tuple[str, Callable[[str, Mapping[str, Any]], str]]]] = {
    "bool_type": ("{shown} is neither true nor false", lambda key, context: "write `true` or `false`"),
    "int_type": ("{shown} is no whole number", lambda key, context: f"write a whole number, such as {example(key)}"),
    "float_type": (
        "{shown} is no plain number",
        lambda key, context: f"write a number without a unit, such as {example(key)}",
    ),
    "finite_number": ("{shown} is not finite", lambda key, context: "write an ordinary number"),
    "string_type": ("{shown} is no text", _such_as),
    "string_too_short": ("there is nothing in it", _such_as),
    "string_too_long": ("the text is too long", _such_as),
    "model_type": ("{shown} stands where a section belongs", _section),
    "model_attributes_type": ("{shown} stands where a section belongs", _section),
    "dict_type": ("{shown} stands where a section belongs", _section),
    "tuple_type": (
        "{shown} is no list",
        lambda key, context: f"write a list in square brackets, such as {example(key)}",
    ),
    "too_short": ("there are too few entries", lambda key, context: f"write at least {context['min_length']}"),
    "too_long": ("there are too many entries", lambda key, context: f"write at most {context['max_length']}"),
    "greater_than_equal": ("{shown} is too small", _bound("of at least")),
    "greater_than": ("{shown} is too small", _bound("above")),
    "less_than_equal": ("{shown} is too large", _bound("of at most")),
    "less_than": ("{shown} is too large", _bound("below")),
}
