"""The measuring cycle as arithmetic on time and pressure: no clock, no I/O."""
