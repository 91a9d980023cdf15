"""nightrake: a watch beside the PLC for slow, high-torque drives with a two-stage torque overload device."""

__version__ = "0.1.0"
