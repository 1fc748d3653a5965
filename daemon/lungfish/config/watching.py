"""`watch`, from its form to what it means."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from lungfish.config.document import KeyPath
from lungfish.config.report import Report
from lungfish.config.watch_form import WatchForm

if TYPE_CHECKING:
    from lungfish.config.model import Tank

__all__ = ["WatchSpec", "with_watch"]


@dataclass(frozen=True, slots=True, kw_only=True)
class WatchSpec:
    """How a shut tube is listened to between purges."""

    step_m: float
    """Movement of the level that calls for a purge, m."""
    every_s: float
    """From look to look, s."""


def with_watch(tank: Tank, form: WatchForm | Literal["off", False] | None, report: Report) -> Tank:
    """A tank that is listened to between purges, unless the file says not to.

    Args:
        tank: without that.
        form: its section `watch`; None when there is none: then it is on.
        report: where findings go.
    """
    if form == "off" or form is False:
        return dataclasses.replace(tank, watch=None)
    path: KeyPath = ("tanks", tank.name, "watch")
    if form is None:
        form = WatchForm()
        report.assume(path, f"on: step {1000.0 * form.step:g} mm, every {form.every:g} s")
    else:
        for key, shown in (("step", f"{1000.0 * form.step:g} mm"), ("every", f"{form.every:g} s")):
            if key not in form.model_fields_set:
                report.assume((*path, key), shown)
    return dataclasses.replace(tank, watch=WatchSpec(step_m=form.step, every_s=form.every))
