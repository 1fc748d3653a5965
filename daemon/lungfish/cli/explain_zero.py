"""The zero's part of the screen that `explain` shows: what was last seen of it, and whether it asks for a visit."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from textwrap import wrap
from zoneinfo import ZoneInfo

from lungfish.app.tank_loop import settings_hash
from lungfish.cli.terminal import WIDTH
from lungfish.config import Site, Tank, cycle_setup
from lungfish.core.advice import signal_told
from lungfish.core.codes import Category
from lungfish.core.setup import CycleSetup
from lungfish.core.zero import Outcome, beyond, told, tolerance_pa
from lungfish.ports import ZeroRecord
from lungfish.store import Archive

__all__ = ["KeptZeros", "kept_zeros", "zero_as_json", "zero_call_lines", "zero_lines"]

_SHOWN = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptZeros:
    """What the store holds of a transmitter's zero."""

    setup: CycleSetup
    """The tank as the site file has it now."""
    records: Sequence[ZeroRecord]
    """The newest first; those alone that were seen under these settings; may be empty."""
    vented: bool
    """The site file has a vent valve."""


def kept_zeros(site: Site, tank: Tank, archive: Archive) -> KeptZeros:
    """What is kept of a tank.

    Args:
        site: the site.
        tank: one of its tanks.
        archive: the site's store.

    Raises:
        StoreError: the store can't be read.
    """
    setup = cycle_setup(site, tank)
    config = settings_hash(setup)
    kept = [record for record in archive.zeros(tank.name) if record.config == config]
    # what has begun and ended stands there twice
    records = [record for n, record in enumerate(kept) if n == 0 or record.zero.outcome is not Outcome.BEGUN]
    return KeptZeros(setup=setup, records=records, vented=tank.transmitter.vent is not None)


def zero_call_lines(kept: KeptZeros) -> Iterator[str]:
    """What the latest look calls for, for the top of the screen.

    Args:
        kept: what is known.
    """
    if not kept.records:
        return
    zero = kept.records[0].zero
    if zero.outcome is not Outcome.MEASURED:
        what = "the transmitter's zero could not be checked"
    elif zero.came_back is False:
        what = "the transmitter did not come back from its zero check"
    elif beyond(kept.setup, zero):
        what = "the transmitter's zero has drifted"
    else:
        return
    yield f"{what}   NE 107: {signal_told(Category.MAINTENANCE)}, see the zero"


def zero_lines(kept: KeptZeros, zone: ZoneInfo) -> Iterator[str]:
    """The last looks, at most 100 columns wide; none for a tank without any and without a vent.

    Args:
        kept: what is known.
        zone: that moments are shown in.
    """
    if not kept.records:
        if kept.vented:
            yield "zero: not checked yet"
        return
    yield "zero"
    for record in kept.records[:_SHOWN]:
        at = f"{datetime.fromtimestamp(record.at.utc_s, zone):%Y-%m-%d %H:%M}"
        text = f"{at} {told(kept.setup, record.zero, taken_out=False)}"
        yield from wrap(text, WIDTH, initial_indent="  ", subsequent_indent="    ")


def zero_as_json(kept: KeptZeros) -> list[dict[str, object]]:
    """The looks for a program, the newest first.

    Args:
        kept: what is known.
    """
    return [
        {
            "utc_s": record.at.utc_s,
            "source": record.zero.source.value,
            "outcome": record.zero.outcome.value,
            "zero_pa": record.zero.zero_pa,
            "u_pa": record.zero.u_pa,
            "tolerance_pa": tolerance_pa(kept.setup, record.zero),
            "drifted": beyond(kept.setup, record.zero),
            "came_back": record.zero.came_back,
            "detail": record.zero.detail,
        }
        for record in kept.records
    ]
