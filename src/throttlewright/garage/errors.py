"""Errors of the garage."""

from __future__ import annotations

from pathlib import Path

from throttlewright.foundation.errors import InputError

__all__ = ["ConflictError", "StaleWriteError"]


class ConflictError(InputError):
    """What is asked does not fit what the garage holds by now."""


class StaleWriteError(ConflictError):
    """A write was made from a revision that is no longer the newest; both versions are kept.

    Parameters
    ----------
    message : str
        What happened, without a final full stop.
    kept : int
        Number of the revision that holds the refused content, beside the line.
    newest : int
        Number of the newest revision of the line; 0 when the line was removed.
    file, key, value, allowed, advice : optional
        As for every error of input.
    """

    def __init__(
        self,
        message: str,
        *,
        kept: int = 0,
        newest: int = 0,
        file: str | Path | None = None,
        key: str | None = None,
        value: object = None,
        allowed: str | None = None,
        advice: str | None = None,
    ) -> None:
        self.kept = kept
        self.newest = newest
        super().__init__(message, file=file, key=key, value=value, allowed=allowed, advice=advice)

    def in_file(self, file: str | Path) -> StaleWriteError:
        """Return the same error with the file name filled in."""
        return StaleWriteError(
            self.message,
            kept=self.kept,
            newest=self.newest,
            file=file,
            key=self.key,
            value=self.value,
            allowed=self.allowed,
            advice=self.advice,
        )
