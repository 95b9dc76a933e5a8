"""Judging a run: measures, criteria with their sources, rule books, the fault matrix."""
