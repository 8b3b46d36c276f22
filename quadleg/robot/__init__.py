"""The robot as frozen dataclasses in SI units, and its URDF."""
