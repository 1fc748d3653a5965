"""Links, transmitters and valves: device trouble is wrapped here once and becomes an event."""
