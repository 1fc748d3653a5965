"""What a relay board says of itself. Standard library only: the process that outlives the daemon asks it too."""

from __future__ import annotations

__all__ = ["told_state"]


def told_state(received: bytes, open_answer: bytes, shut_answer: bytes) -> bool | None:
    """True for open, False for shut, None while neither answer stands in what was received, or both do.

    Args:
        received: all bytes since the question.
        open_answer: what says open.
        shut_answer: what says shut.
    """
    is_open, is_shut = open_answer in received, shut_answer in received
    return None if is_open is is_shut else is_open
