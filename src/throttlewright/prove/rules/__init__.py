"""Limits and rule books as data, each with its edition and source."""
