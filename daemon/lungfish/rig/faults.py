"""What can be wrong with a simulated plant."""

from __future__ import annotations

from dataclasses import dataclass, field

__all__ = ["Faults"]


@dataclass(slots=True, kw_only=True)
class Faults:
    """What is wrong with the plant at this moment; to be changed while it runs.

    A plug that breaks out changes its own fields: it stays broken.
    """

    # -- tip and tube
    plugged: bool = False
    """Nothing passes the tip, neither air nor liquid, whatever the pressure."""
    plug_holds_pa: float = 0.0
    """A plug that holds up to this differential pressure across it, Pa, and then breaks out; 0 for none."""
    plug_left_share: float = 1.0
    """Share of the tube's area that is free after the plug has broken out; 1 for all."""
    plug_weakens_share: float = 0.0
    """Share of its strength that the plug loses each time the valve shuts again."""
    tip_area_share: float = 1.0
    """Share of the tube's area that is free at the tip; 1 for a clean tip."""
    tip_pa_s_m3: float = 0.0
    """Resistance of a partial plug at the tip, Pa of pressure for each Pa m3/s of throughput; 0 for a clean tip."""
    solids_pa: float = 0.0
    """Solids over the tip: pressure above the head that air must have to leave, Pa; 0 for none."""
    solids_break_share: float = 0.8
    """Share of `solids_pa` that is gone once air has broken through."""
    solids_rebuild_s: float = 600.0
    """Time constant with which they settle again while no air leaves, s."""
    extra_leak_pa_m3_s_pa: float = 0.0
    """A leak on top of the plant's own, at the same place, Pa m3/s for each Pa gauge."""
    # -- line
    line_area_share: float = 1.0
    """Share of the line's area that is free where it is narrowest, at its joint to the tube; 1 for a clean line."""
    extra_leak_at_valve_pa_m3_s_pa: float = 0.0
    """A leak at the valve's end of the line, Pa m3/s for each Pa gauge."""
    water_in_line_m: float = 0.0
    """Height of a slug of water in a low point of the line, m: swings while air flows and stays where it was last."""
    # -- supply and restrictor
    air_lost: bool = False
    """Nothing arrives from the supply."""
    supply_factor: float = 1.0
    """Supply pressure (gauge) over what it should be."""
    supply_pa_s_m3: float = 0.0
    """A soft supply: Pa that its pressure gives way for each Pa m3/s taken; 0 for a firm one."""
    supply_vessel_m3: float = 0.0
    """A supply that sags with use: nothing fills this air vessel any more, m3; 0 for an endless supply."""
    flow_factor: float = 1.0
    """Flow of the restrictor over what it should be: set wrong, or fouled."""
    # -- valve
    valve_stuck: bool | None = None
    """The valve stays open (True) or shut (False) whatever the coil says; None: it obeys."""
    valve_delay_s: float = 0.0
    """The valve moves so much later than its coil, s."""
    valve_opens_share: float = 1.0
    """Share of the flow that the open valve lets through; below 1 it opens in part only."""
    valve_passes_share: float = 0.0
    """Share of the flow that passes the shut valve; 0 for a tight one."""
    # -- transmitter
    isolator_stuck: bool | None = None
    """Its isolating valve stays open (True) or shut (False) whatever the coil says; None: it obeys."""
    vent_stuck: bool | None = None
    """Its vent valve stays open (True) or shut (False) whatever the coil says; None: it obeys."""
    frozen: bool = False
    """The transmitter repeats its last value."""
    reads_pa: float | None = None
    """The transmitter shows this whatever the pressure: a failed cell, NaN for a value that is no number."""
    zero_shift_pa: float = 0.0
    """Drift of the transmitter's zero, Pa, on top of the plant's own error."""
    gain_error: float = 0.0
    """Relative error of the transmitter's gain, on top of the plant's own."""
    stuck_counts_pa: float = 0.0
    """The value moves in steps of this size only, Pa; 0 for none."""
    damping_extra_s: float = 0.0
    """A fouled sense line: added to the transmitter's time constant, s."""

    changes: int = field(default=0, init=False, repr=False, compare=False)
    """How often something has been set: the plant looks closely after each."""

    def __setattr__(self, name: str, value: object) -> None:
        object.__setattr__(self, name, value)
        if name != "changes":
            object.__setattr__(self, "changes", getattr(self, "changes", 0) + 1)
