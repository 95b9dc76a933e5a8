"""Builds shipped with the package: invented examples and published sets."""
