"""Rows of the table of verdicts about transmitter, links and the cycle itself."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from lungfish.core import plan, stuck
from lungfish.core.advice import AIR_OFF, PRESSED, Advice, Ground, Source
from lungfish.core.codes import Diagnosis, Quality

__all__ = ["INSTRUMENT_ADVICE"]

_UNCERTAIN, _BAD = Quality.UNCERTAIN, Quality.BAD

INSTRUMENT_ADVICE: Mapping[Diagnosis, Advice] = MappingProxyType(
    {
        Diagnosis.TRANSMITTER_FAULT: Advice(
            says="off its span while the valve is shut, or a value that is no number",
            qualities=(_BAD,),
            grounds=(
                Ground(
                    feature="value with the valve shut",
                    limit="below span - 2.5 % or above span + 3.125 % (3.6 and 20.5 mA of 4 to 20 mA, NAMUR NE 43)",
                    source=Source.TRANSMITTER,
                ),
                Ground(feature="value", limit="no number, three times in a row", source=Source.PROTOCOL),
            ),
            remedies=(
                "`format`, `word_order`, `register` and `reads_in` in the site file, if it never worked",
                "the transmitter's supply, its cable and its fuse",
                "a transmitter that is set to another span or unit than the site file says",
                "the cell itself: an over-pressure or a frozen sense line breaks it",
            ),
        ),
        Diagnosis.TRANSMITTER_FROZEN: Advice(
            says="the value does not move when the pressure must, or only in large steps",
            qualities=(_UNCERTAIN, _BAD),
            grounds=(
                Ground(
                    feature="values through opening and closing",
                    limit=f"{stuck.FROZEN_SAMPLES} or more, all equal to the last digit; not at an end of its range, "
                    "nor from a transmitter so coarse that it never stirs at rest",
                    source=Source.TRANSMITTER,
                ),
                Ground(
                    feature="steps in which the values move",
                    limit=f"half of one is more than {1000 * stuck.COARSE_M:.0f} mm of the liquid: uncertain; what it "
                    "may hide is in the level's uncertainty",
                    source=Source.TRANSMITTER,
                ),
                Ground(
                    feature="pressure after a zero check with the vent valve",
                    limit="not halfway back to that of the tube, until a cycle shows it again",
                    source=Source.PROTOCOL,
                ),
            ),
            remedies=(
                "take the transmitter's supply away and give it back: some hold their last value",
                "a gateway or I/O block that answers from its memory although the transmitter is gone",
                "in steps: set register or converter to a finer unit, or the span nearer to what the tank needs",
                "a shut isolating valve, a vent valve stuck open, ice or water between line and transmitter",
            ),
            caution=AIR_OFF,
        ),
        Diagnosis.LINK_LOST: Advice(
            says="the transmitter or the valve does not answer",
            qualities=(_BAD,),
            grounds=(
                Ground(feature="reads without an answer", limit="three in a row", source=Source.PROTOCOL),
                Ground(
                    feature="silence with the valve open",
                    limit=f"{plan.SILENCE_S:g} s, and the valve is shut",
                    source=Source.PROTOCOL,
                ),
                Ground(feature="valve", limit="not confirmed open or shut by its read-back", source=Source.PROTOCOL),
            ),
            remedies=(
                "power and network lights of the I/O block",
                "`host`, `port`, `unit` and addresses in the site file, if it never worked",
                "cable, switch, and whether another program holds the only connection",
                "the sentence says what was heard last; a block that answers late needs a longer `timeout`",
            ),
            caution="while the valve does not answer it may be open: look at it, and shut the air off by hand",
        ),
        Diagnosis.OVER_RANGE: Advice(
            says="the transmitter's limit was reached with the valve open: it was shut at once",
            qualities=(_BAD,),
            grounds=(
                Ground(
                    feature="value with the valve open",
                    limit="within 0.1 % of the top of the span",
                    source=Source.TRANSMITTER,
                ),
            ),
            remedies=(
                "`lungfish check`: is the span enough for a full tank with its friction?",
                "a plugged tip: `lungfish handbook clearing`",
                "a restrictor that was opened too far: compare the flow with `air.flow`",
            ),
            caution=PRESSED,
        ),
        Diagnosis.ABORTED: Advice(
            says="ended before its reading: stop, `shut`, a guard, a death of the daemon",
            qualities=(_BAD,),
            grounds=(
                Ground(feature="cycle", limit="ended from outside before its shut-in", source=Source.PROTOCOL),
                Ground(
                    feature="isolating valve (`clear.isolate`)",
                    limit="not known to be open: the transmitter is cut off from the tube",
                    source=Source.PROTOCOL,
                ),
            ),
            remedies=(
                "nothing, if it was you who stopped it",
                "the log says who ended it and why",
                "a transmitter that stays cut off: let the tube's pressure out at the valve's end",
                "a death of the daemon: look for missing power, memory or disk in the system's journal",
            ),
        ),
    }
)
