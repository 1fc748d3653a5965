"""Where things lie in this repository, and what of it is ours: files that version control would not ignore."""

from __future__ import annotations

import fnmatch
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]

TEXTS = {".py", ".c", ".md", ".toml", ".yaml", ".service", ".timer", ""}
"""Endings of the files that a person writes here."""


def ignored(path: Path) -> bool:
    """Whether `.gitignore` names a file or directory; only the plain patterns that ours has."""
    patterns = [line.rstrip("/") for line in (ROOT / ".gitignore").read_text(encoding="utf-8").split() if line]
    return path.name == ".git" or any(fnmatch.fnmatch(path.name, pattern) for pattern in patterns)


def files(directory: Path = ROOT) -> Iterator[Path]:
    """Every file that is not ignored."""
    for path in sorted(directory.iterdir()):
        if ignored(path):
            continue
        if path.is_dir():
            yield from files(path)
        else:
            yield path


def texts(*endings: str) -> Iterator[tuple[Path, str]]:
    """Every text file with one of these endings, or with any of those known, and its text."""
    for path in files():
        if path.suffix in (endings or TEXTS):
            yield path.relative_to(ROOT), path.read_text(encoding="utf-8")


def blocks(document: str, language: str) -> list[str]:
    """The fenced blocks of one language in a Markdown text.

    Args:
        document: name of the file at the top.
        language: what stands behind the fence.
    """
    found: list[str] = []
    inside: list[str] | None = None
    for line in (ROOT / document).read_text(encoding="utf-8").splitlines():
        if inside is not None and line.strip() == "```":
            found.append("\n".join(inside))
            inside = None
        elif inside is not None:
            inside.append(line)
        elif line.strip() == f"```{language}":
            inside = []
    return found
