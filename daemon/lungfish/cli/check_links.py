"""What `lungfish check` says of a link: what the site asks of it, and how fast it must be for that."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator

from lungfish.app.bus_load import LinkLoad
from lungfish.config.link_model import LinkSpec, transaction_s
from lungfish.core.plan import PERIOD_S

__all__ = ["link_as_json", "link_rows"]

Row = tuple[str, str, str]
"""Name, value, more."""
_MS = 1000.0
_TOO_MUCH = "measure less often, let the watch look less often, or share the tanks out over more links"


def link_rows(link: LinkSpec, load: LinkLoad) -> Iterator[Row]:
    """Rows of one link.

    Args:
        link: the link.
        load: what the site asks of it.
    """
    yield "reached by", link.spoken, link.reached_by
    yield "  waits for an answer", f"{_MS * link.timeout_s:g} ms", "at most"
    each_s = transaction_s(link)
    if each_s is not None:
        yield "carries", f"{1.0 / each_s:.3g} a second", "if devices answer at once"
    most = ""
    if load.most_transactions_s > load.transactions_s * 1.005:
        most = f"{load.most_transactions_s:.3g} if the watch calls all it may"
    yield "asked of it", f"{load.transactions_s:.3g} a second", most
    yield "  while a tank is measured", f"{1.0 / PERIOD_S:.3g} a second", "slower ones: one tank after the other"
    longest_s = load.longest_transaction_s
    if each_s is not None and longest_s > 0.0:
        fits = "it fits" if load.fits(each_s) else "it does NOT fit"
        taken = f"{100.0 * load.most_transactions_s * each_s:.0f} % of its time"
        yield f"  {fits}", taken, "if devices answer at once" if load.fits(each_s) else _TOO_MUCH
    if longest_s == 0.0:
        yield "  it does NOT fit", "on any link", _TOO_MUCH
    else:
        yield "  it fits while each takes", f"{_MS * longest_s:.0f} ms at most", "from request to answer"


def link_as_json(load: LinkLoad) -> dict[str, float]:
    """The same for a program.

    Args:
        load: what the site asks of the link.
    """
    return {**dataclasses.asdict(load), "longest_transaction_s": load.longest_transaction_s}
