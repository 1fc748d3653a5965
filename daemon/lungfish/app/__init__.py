"""The only place where actions are performed: runner, supervisor, schedule, wiring."""
