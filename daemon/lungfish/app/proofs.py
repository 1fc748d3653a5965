"""Which layers outside this computer have been seen to shut a valve, and when: told as events, found by their words.

The words name output and time-out: once either is changed in the site file, nothing is proven.
"""

from __future__ import annotations

from collections.abc import Mapping

from lungfish.config.model import Site, ValveSpec
from lungfish.errors import StoreError
from lungfish.store import Archive

__all__ = ["PROOF", "PROOF_MARGIN_S", "proof_text", "proven_utc_s"]

PROOF_MARGIN_S = 1.0
"""So much later than stated an output may be found shut: the block's own clock, and one request."""

PROOF = "outside-layer-proven"
"""Kind of the events."""
_EVENTS = 1000


def proof_text(called: str, valve: ValveSpec) -> str:
    """What is kept of a proof.

    Args:
        called: what the valve is called.
        valve: where it is driven from, with its time-out.
    """
    assert valve.outside_bound_s is not None  # noqa: S101 - for the type checker; whoever asks has looked
    return f"{called}: {valve.place}, left alone, was found shut after {valve.outside_bound_s + PROOF_MARGIN_S:g} s"


def proven_utc_s(site: Site) -> Mapping[str, float]:
    """When the outside layer of each valve was last proven, s since 1970-01-01 UTC; a valve without proof is not in it.

    Args:
        site: the site; a store that is not there yet, or can't be read, proves nothing.
    """
    wanted = {
        proof_text(called, valve): called for called, valve in site.valves.items() if valve.outside_bound_s is not None
    }
    found: dict[str, float] = {}
    if not wanted:
        return found
    try:
        with Archive(site.store_path) as archive:
            for text, utc_s in archive.last_of_kind(PROOF, _EVENTS):
                if text in wanted:
                    found.setdefault(wanted[text], utc_s)
    except StoreError:
        return {}
    return found
