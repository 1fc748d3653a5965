"""Shutting a relay of a board without an event loop, for whoever must do it now. Standard library only."""

from __future__ import annotations

import time
from dataclasses import dataclass

from lungfish.drivers.line_now import SerialNow, SerialWay
from lungfish.drivers.relay_answer import told_state

__all__ = ["UNCONFIRMED", "RelayNow", "shut_relay"]

UNCONFIRMED = "told to shut, and nothing confirms it: the board does not answer"
_SILENT_S, _SILENT_WITHIN_S = 0.1, 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class RelayNow:
    """What is said to a board, as hexadecimal digits, so that a list on disk can hold it."""

    shut: str
    """What shuts the valve."""
    ask: str = ""
    """What asks for its state; empty: nothing."""
    open_answer: str = ""
    """What says that it is open; empty: nothing."""
    shut_answer: str = ""
    """What says that it is shut; empty: nothing."""


def shut_relay(way: SerialWay, relay: RelayNow, timeout_s: float) -> str | None:
    """Shut it at once, then see whether the board says so.

    Args:
        way: the serial port.
        relay: what is said.
        timeout_s: longest wait for the answer, s.

    Returns:
        None when the board says that it is shut, else why that is not confirmed.

    Raises:
        OSError: the port can't be used.
    """
    shut, ask = bytes.fromhex(relay.shut), bytes.fromhex(relay.ask)
    is_open, is_shut = bytes.fromhex(relay.open_answer), bytes.fromhex(relay.shut_answer)
    with SerialNow(way) as line:
        line.send(shut)
        if not is_shut:
            return UNCONFIRMED
        # what arrives now may answer an older question
        until_s = time.monotonic() + _SILENT_WITHIN_S
        while line.receive(_SILENT_S) and time.monotonic() < until_s:
            pass
        question = ask or shut
        line.send(question)
        received = b""
        until_s = time.monotonic() + timeout_s + len(question) * line.char_s
        while (left_s := until_s - time.monotonic()) > 0.0:
            received += line.receive(left_s)
            said = told_state(received, is_open, is_shut)
            if said is not None:
                return "it was told to shut and says that it is open" if said else None
    return "no answer" if not received else f"no answer among {received[:24]!r}"
