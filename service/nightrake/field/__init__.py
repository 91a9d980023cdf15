"""The field: PLCs over Modbus/TCP, read only. pymodbus is imported in `adapter` and nowhere else."""
