"""The simulated plant: pneumatics, faults, a virtual clock, a real Modbus server in front."""
