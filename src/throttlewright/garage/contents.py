"""What may be kept: names, and contents by kind, checked by the loader of each."""

from __future__ import annotations

import json
import math
import re
import tempfile
from collections.abc import Callable
from dataclasses import fields
from functools import lru_cache
from pathlib import Path
from typing import Any

from throttlewright.build.load import parse_build, parse_intent
from throttlewright.calibration.calibration import Calibration
from throttlewright.foundation.errors import InputError, nearest
from throttlewright.garage.records import KINDS, Kind
from throttlewright.prove.verdict import Verdict
from throttlewright.recording.parquet import read_parquet, write_parquet
from throttlewright.recording.recording import Recording

__all__ = [
    "calibration_of",
    "check_content",
    "check_item_name",
    "check_kind",
    "check_label",
    "check_line",
    "recording_bytes",
    "recording_of",
    "verdicts_from_json",
    "verdicts_to_json",
]

_PART = re.compile(r"[^\W_][\w .+-]{0,79}")
_LONGEST_BYTES = 180
"""Most disks allow 255 bytes in a file's name, and an export adds a suffix."""
_RESERVED = re.compile(r"(con|prn|aux|nul|com\d|lpt\d)(\..*)?", re.IGNORECASE)


def check_label(text: object, what: str) -> str:
    """Return a name of a car or a branch, or raise InputError."""
    if (
        not isinstance(text, str)
        or not text.isprintable()
        or text != text.strip()
        or not 0 < len(text) <= 80
    ):
        raise InputError(
            f"the name of {what} cannot be used",
            value=text,
            allowed="one line of 1 to 80 characters without blanks at its ends",
        )
    return text


def check_line(text: object, key: str, *, needed: bool) -> str:
    """Return one line of text, or raise InputError."""
    if not isinstance(text, str) or not text.isprintable() or len(text) > 500:
        raise InputError(
            "must be one line of text", key=key, value=text, allowed="at most 500 characters"
        )
    if needed and not text.strip():
        raise InputError("must not be empty", key=key, advice="say who saves")
    return text.strip()


def check_kind(kind: object) -> Kind:
    """Return a kind, or raise InputError that names the nearest."""
    for known in KINDS:
        if kind == known:
            return known
    close = nearest(str(kind), list(KINDS))
    raise InputError(
        "is no kind of thing that a garage keeps",
        value=kind,
        allowed=", ".join(KINDS),
        advice=f"did you mean {close!r}?" if close else None,
    )


def check_item_name(kind: Kind, name: object) -> str:
    """Return a name that is also safe as the name of a file, or raise InputError."""
    parts = name.split("/") if isinstance(name, str) and kind == "beside" else [name]
    for part in parts:
        if (
            not isinstance(part, str)
            or not _PART.fullmatch(part)
            or part[-1] in " ."
            or len(part.encode()) > _LONGEST_BYTES
            or _RESERVED.fullmatch(part)
        ):
            raise InputError(
                f"the name of this {kind} cannot be used",
                value=name,
                allowed="a letter or digit, then letters, digits, blanks and . _ + -, at most 80",
            )
    if kind == "beside" and not str(name).lower().endswith(".csv"):
        raise InputError(
            "a file beside a build is a table", value=name, allowed="a name that ends with .csv"
        )
    return str(name)


def check_content(
    kind: Kind, content: str | bytes, *, label: str, beside: Callable[[str], str]
) -> None:
    """Raise the loader's own sentence unless the content is a good one of its kind.

    Parameters
    ----------
    kind : Kind
        What it is.
    content : str or bytes
        Text; for a recording the bytes of its Parquet file.
    label : str
        Name for errors.
    beside : callable
        Returns the text of a file that the build names.

    Raises
    ------
    InputError
        If it cannot be loaded.
    """
    if isinstance(content, bytes) != (kind == "recording"):
        raise InputError(
            "must be a Parquet file" if kind == "recording" else "must be text", file=label
        )
    try:
        if isinstance(content, bytes):
            recording_of(content)
        elif kind == "build":
            parse_build(content, file=label, beside=beside)
        elif kind == "intent":
            parse_intent(content, file=label)
        elif kind == "calibration":
            calibration_of(content)
        elif kind == "verdicts":
            verdicts_from_json(content)
        elif kind == "layout":
            _load_json(content)
    except InputError as error:
        raise error.in_file(error.file if kind == "build" and error.file else label) from None


@lru_cache(maxsize=8)
def calibration_of(content: str) -> Calibration:
    """Return the calibration in its text; the last few are kept, for each save reads it twice."""
    return Calibration.from_json(content)


def recording_of(content: bytes) -> Recording:
    """Return the recording in the bytes of its Parquet file."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "recording.parquet"
        path.write_bytes(content)
        return read_parquet(path)


def recording_bytes(recording: Recording) -> bytes:
    """Return the bytes of a recording's Parquet file."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "recording.parquet"
        write_parquet(recording, path)
        return path.read_bytes()


def _load_json(text: str) -> Any:
    def constant(word: str) -> Any:
        raise ValueError(f"{word} is no JSON")

    try:
        return json.loads(text, parse_constant=constant)
    except (ValueError, RecursionError) as error:
        raise InputError(f"is not readable JSON ({str(error)[:120]})") from None


def verdicts_to_json(verdicts: list[Verdict]) -> str:
    """Return verdicts as text, one line each."""
    lines = [json.dumps(verdict.to_dict(), ensure_ascii=False) for verdict in verdicts]
    return "[\n" + ",\n".join(lines) + "\n]\n"


def verdicts_from_json(text: str) -> list[Verdict]:
    """Return the verdicts in a text that ``verdicts_to_json`` made.

    Parameters
    ----------
    text : str
        JSON.

    Returns
    -------
    list of Verdict
        The same verdicts.

    Raises
    ------
    InputError
        If the text is not a list of verdicts.
    """
    rows = _load_json(text)
    if not isinstance(rows, list):
        raise InputError("must be a list of verdicts")
    return [_verdict(row, place) for place, row in enumerate(rows, start=1)]


def _verdict(row: object, place: int) -> Verdict:
    known = {part.name for part in fields(Verdict)}
    where = f"verdict {place}"
    if not isinstance(row, dict) or set(row) != known:
        raise InputError("is no verdict", key=where, allowed=f"the keys {', '.join(sorted(known))}")
    data = dict(row)
    for key in ("value", "limit"):
        number = data[key]
        if isinstance(number, bool) or not isinstance(number, int | float | None):
            raise InputError("must be a number or null", key=f"{where}, {key}", value=number)
        data[key] = math.nan if number is None else float(number)
    for key in known - {"value", "limit"}:
        if not isinstance(data[key], str):
            raise InputError("must be text", key=f"{where}, {key}", value=data[key])
    return Verdict(**data)
