"""Log lines for a journal: one line an event, `key=value` or JSON, nothing in it that could forge another line."""

from __future__ import annotations

import json
import logging
import os
import sys
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import TextIO

__all__ = ["FORMS", "LineFormatter", "event_log", "quoted", "set_up_logging"]

FORMS = ("text", "json")
_PRIORITY = {"DEBUG": 7, "INFO": 6, "WARNING": 4, "ERROR": 3, "CRITICAL": 2}
"""syslog(3) priorities, which a journal reads from `<N>` in front of a line (sd-daemon(3))."""
_PLAIN = frozenset("-_.:/+%,@")


def quoted(value: object) -> str:
    """A value as it stands behind `key=`: bare when it is one plain word, else in quotes with escapes.

    Args:
        value: a number is shown with up to 6 digits, None as `-`.
    """
    if value is None:
        return "-"
    text = f"{value:.6g}" if isinstance(value, float) else str(value)
    if text and all(sign.isascii() and (sign.isalnum() or sign in _PLAIN) for sign in text):
        return text
    # JSON escapes quotes, backslashes and C0 controls; C1 controls and separators of lines are escaped besides
    return "".join(
        sign if sign.isprintable() or sign == " " else f"\\u{ord(sign):04x}"
        for sign in json.dumps(text, ensure_ascii=False)
    )


class LineFormatter(logging.Formatter):
    """One record on one line.

    Args:
        form: `text` for key=value, `json` for a JSON object.
        priority: put the syslog priority in front and leave the time out: a journal has its own.
    """

    def __init__(self, form: str = "text", *, priority: bool = False) -> None:
        super().__init__()
        self._json = form == "json"
        self._priority = priority

    def format(self, record: logging.LogRecord) -> str:
        """The record as a line."""
        fields: dict[str, object] = {}
        if not self._priority:
            at = datetime.fromtimestamp(record.created, UTC)
            fields["time"] = f"{at:%Y-%m-%dT%H:%M:%S}.{at.microsecond // 1000:03d}Z"
        fields["level"] = record.levelname.lower()
        own = getattr(record, "fields", None)
        if isinstance(own, Mapping):
            fields |= {"event": record.getMessage(), **own}
        else:
            fields |= {"event": "message", "from": record.name, "text": record.getMessage()}
        if record.exc_info:
            fields["trace"] = self.formatException(record.exc_info)
        if self._json:
            line = json.dumps(fields, default=str)
        else:
            line = " ".join(f"{key}={quoted(value)}" for key, value in fields.items())
        return f"<{_PRIORITY.get(record.levelname, 6)}>{line}" if self._priority else line


def event_log(log: logging.Logger, level: int, event: str, **fields: object) -> None:
    """Write one structured line.

    Args:
        log: the logger.
        level: of the `logging` module.
        event: short name of what happened.
        fields: what belongs to it.
    """
    log.log(level, event, extra={"fields": fields})


def set_up_logging(form: str = "text", stream: TextIO | None = None, level: int = logging.INFO) -> None:
    """Send every log line of the process to one stream.

    Args:
        form: one of `FORMS`.
        stream: where to; None is standard error, with priorities when a journal reads it.
        level: the least level shown.
    """
    handler = logging.StreamHandler(stream or sys.stderr)
    handler.setFormatter(LineFormatter(form, priority=stream is None and "JOURNAL_STREAM" in os.environ))
    root = logging.getLogger()
    root.handlers[:] = [handler]
    root.setLevel(level)
    logging.getLogger("apscheduler").setLevel(logging.WARNING)
