"""What a terminal can show: Unicode where it can, plain ASCII where it can't, never a traceback for a sign."""

from __future__ import annotations

import sys
from collections.abc import Iterable
from typing import TextIO

__all__ = ["WIDTH", "put", "shows_unicode"]

WIDTH = 100
"""Columns that every page and screen keeps to."""
_NEEDED = "±·│┊┤└┴─⣿█"
_PLAIN = str.maketrans({"±": "+-", "·": ";", "×": "x", "–": "-", "—": "-", "’": "'", "“": '"', "”": '"', "→": "->"})


def shows_unicode(stream: TextIO | None = None) -> bool:
    """Whether a stream's encoding has the signs that pictures are made of.

    Args:
        stream: None takes standard output.
    """
    encoding = getattr(stream or sys.stdout, "encoding", None) or "ascii"
    try:
        _NEEDED.encode(encoding)
    except (UnicodeEncodeError, LookupError):
        return False
    return True


def put(lines: Iterable[str], *, unicode: bool) -> None:
    """Print lines.

    Args:
        lines: without line ends.
        unicode: False: every sign that is not ASCII is replaced.
    """
    for line in lines:
        print(line if unicode else line.translate(_PLAIN).encode("ascii", "replace").decode("ascii"))
