"""Steps from each version of the database to the next, run when a garage is opened."""

from __future__ import annotations

from pathlib import Path

__all__ = ["FOLDER", "NEWEST"]

NEWEST = "1"
"""Version of the database that this program reads and writes."""

FOLDER = Path(__file__).parent
