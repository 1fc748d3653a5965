"""Faults of the catalogue that are not told, shown or survived as they must be, each with the reason.

What a file of the catalogue expects is what would be right, so it is not bent to what is done. A fault that stands
here is run and printed as failing; one that has become well must be taken out, and a test says so.
"""

from __future__ import annotations

from collections.abc import Mapping

__all__ = ["KNOWN"]

KNOWN: Mapping[str, str] = {
    # a wrong level is shown as good
    "zero drifted up, tip uncovered": "the drift is read as 51 mm of liquid. No cycle by itself shows otherwise: its "
    "friction is the same, and a closing that freezes no bubble may be chance; only many in a row would not be. That "
    "opening brings nothing, though the pressure rose at rest, is what a weeping seat under a rising level makes too",
}
"""Name of the fault: why it fails."""
