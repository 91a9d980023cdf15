"""The simulated plant: physics of our own behind a Modbus/TCP server of its own. Imports nothing of the watch."""
