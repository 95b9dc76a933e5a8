"""Throttlewright: drive-by-wire throttle calibrations from the physics of the car."""

__version__ = "0.1.0"
__all__ = ["__version__"]
