"""Recordings: channels over time, each with its own clock, and the files that hold them."""
