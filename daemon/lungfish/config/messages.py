"""From what the form's check says to what a person can act on: line, key, what was wrong, what would be right."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Final

from pydantic import ValidationError
from pydantic_core import ErrorDetails

from lungfish.config.document import Document, KeyPath
from lungfish.config.keys import VARIANT_KEYS, example, form_path, known_keys, nearest, owners
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
    found = [_Found.of(detail, document) for detail in error.errors(include_url=False)]
    paths = {each.path for each in found}
    meant = {(*each.path[:-1], close) for each in found if (close := each.meant(document)) is not None}
    for each in found:
        hidden = any(each.path[:length] in document.refused for length in range(1, len(each.path) + 1))
        misspelt = each.kind == "missing" and each.path in meant
        # A row that is wrong in itself is not counted by the form, which then finds too few.
        uncounted = each.kind == "too_short" and (
            each.path in document.incomplete or any(each.path in (path[:-1], path[:-2]) for path in paths)
        )
        if hidden or misspelt or uncounted:
            continue
        wrong, right = each.words(document)
        yield Problem(document.line(each.path), dotted(each.path), wrong, right)


@dataclass(frozen=True, slots=True)
class _Found:
    """One finding of the form's check, at its place in the file."""

    path: KeyPath
    kind: str
    value: object
    context: Mapping[str, Any]
    said: str

    @classmethod
    def of(cls, detail: ErrorDetails, document: Document) -> _Found:
        path, kind = form_path(detail["loc"], document.data), detail["type"]
        if kind in {"union_tag_not_found", "union_tag_invalid"} and isinstance(detail["input"], dict):
            # the word comes quoted where it is a key, and as a function's name where code of ours decides
            key = str(detail.get("ctx", {}).get("discriminator", "")).strip("'")
            path = (*path, key if key in VARIANT_KEYS else VARIANT_KEYS[0])
            kind = "missing" if kind == "union_tag_not_found" else kind
        return cls(path, kind, detail["input"], detail.get("ctx", {}), detail["msg"])

    def meant(self, document: Document) -> str | None:
        """The key that an unknown one was probably meant to be."""
        if self.kind != "extra_forbidden":
            return None
        return nearest(str(self.path[-1]), known_keys(self.path[:-1], document.data))

    def words(self, document: Document) -> tuple[str, str]:
        if self.kind == "told":
            right = str(self.context["right"])
            general = self.context.get("example")
            if general and ": " in (own := example(self.path, document.data)):
                right = right.replace(f"`{general}`", own)
            return str(self.context["wrong"]), right
        if self.kind == "missing":
            return self._missing(document)
        if self.kind == "extra_forbidden":
            return self._unknown(document)
        if self.kind in {"literal_error", "union_tag_invalid"}:
            return self._choice()
        plain = _PLAIN.get(self.kind)
        if plain is None:
            return (
                f"{_shown(self.value)} is not allowed here ({self.said})",
                f"write {example(self.path, document.data)}",
            )
        wrong, right = plain
        return wrong.format(shown=_shown(self.value)), right.format(
            example=example(self.path, document.data), **self.context
        )

    def _missing(self, document: Document) -> tuple[str, str]:
        if self.path and isinstance(self.path[-1], int):
            return "there is only one value", "write two values in square brackets"
        return "is missing", f"add {example(self.path, document.data)}"

    def _unknown(self, document: Document) -> tuple[str, str]:
        key, known = str(self.path[-1]), known_keys(self.path[:-1], document.data)
        close = self.meant(document)
        if close is not None:
            return "unknown key", f"did you mean `{close}`?"
        elsewhere = [owner for owner in owners(key) if owner not in self.path[:-1]]
        if elsewhere:
            return "unknown key", f"`{key}` belongs under {' or '.join(f'`{owner}`' for owner in elsewhere)}"
        return "unknown key", f"known here: {', '.join(f'`{word}`' for word in known)}"

    def _choice(self) -> tuple[str, str]:
        allowed = str(self.context.get("expected") or self.context.get("expected_tags", ""))
        words = tuple(re.findall(r"'([^']*)'", allowed)) or tuple(re.findall(r"[0-9]+", allowed))
        written = self.context.get("tag", self.value)
        close = nearest(written, words) if isinstance(written, str) else None
        if close is not None and len(words) > 1:
            return f"{_shown(written)} is not one of {' | '.join(words)}", f"did you mean `{close}`?"
        one = "" if len(words) == 1 else "one of "
        return f"{_shown(written)} is not known here", f"write {one}{' | '.join(words)}"


def _shown(value: object) -> str:
    if isinstance(value, dict):
        return "a section"
    if isinstance(value, list | tuple):
        return "a list"
    if isinstance(value, bool):
        return f"`{str(value).lower()}`"
    text = str(value)
    return f"`{text}`" if len(text) <= 40 else f"`{text[:37]}...`"


_SECTION: Final = ("{shown} stands where a section belongs", "write its keys under it, such as {example}")
_PLAIN: Final[Mapping[str, tuple[str, str]]] = {
    "bool_type": ("{shown} is neither true nor false", "write `true` or `false`"),
    "int_type": ("{shown} is no whole number", "write a whole number without quotes, such as {example}"),
    "float_type": ("{shown} is no plain number", "write a number without a unit, such as {example}"),
    "finite_number": ("{shown} is not finite", "write an ordinary number"),
    "string_type": ("{shown} is no text", "write something like {example}"),
    "string_too_short": ("there is nothing in it", "write something like {example}"),
    "string_too_long": ("the text is too long", "write something like {example}"),
    "model_type": _SECTION,
    "model_attributes_type": _SECTION,
    "dict_type": _SECTION,
    "tuple_type": ("{shown} is no list", "write a list in square brackets, such as {example}"),
    "too_short": ("there are too few entries", "write at least {min_length}"),
    "too_long": ("there are too many entries", "write at most {max_length}"),
    "greater_than_equal": ("{shown} is too small", "write a number of at least {ge:g}"),
    "greater_than": ("{shown} is too small", "write a number above {gt:g}"),
    "less_than_equal": ("{shown} is too large", "write a number of at most {le:g}"),
    "less_than": ("{shown} is too large", "write a number below {lt:g}"),
}
