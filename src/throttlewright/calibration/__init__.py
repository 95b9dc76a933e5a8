"""Calibrations: the tables, numbers and limits that a controller holds."""
