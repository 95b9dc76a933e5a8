"""Read build and intent files: text to SI numbers, and every error as one sentence."""

from __future__ import annotations

import csv
import hashlib
import io
import tomllib
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError
from pydantic_core import PydanticCustomError

from throttlewright.build.assumptions import complete
from throttlewright.build.fields import check_beside
from throttlewright.build.intent import INTENT_FORMAT, INTENT_VERSION, Intent
from throttlewright.build.problems import as_input_error
from throttlewright.build.schema import BUILD_FORMAT, BUILD_VERSION, Build
from throttlewright.foundation.errors import InputError
from throttlewright.foundation.provenance import Provenance

__all__ = ["BuildFile", "IntentFile", "load_build", "load_intent", "parse_build", "parse_intent"]

M = TypeVar("M", bound=BaseModel)
ReadBeside = Callable[[str], str]
_DYNO_COLUMNS = ("rpm", "torque", "map")


@dataclass(frozen=True)
class BuildFile:
    """A completed build with where each number comes from and the hash of what was read."""

    build: Build
    provenance: dict[str, Provenance] = field(repr=False)
    path: str
    sha256: str
    as_written: Build = field(repr=False)
    """Before the gaps were filled."""


@dataclass(frozen=True)
class IntentFile:
    """An intent and the hash of what was read."""

    intent: Intent
    path: str
    sha256: str


def _read_text(path: Path) -> str:
    try:
        return path.read_bytes().decode("utf-8-sig")
    except FileNotFoundError:
        raise InputError(
            "the file does not exist", file=path, advice='"throttlewright new" writes a first one'
        ) from None
    except UnicodeDecodeError:
        raise InputError("is not UTF-8 text", file=path) from None
    except OSError as error:
        raise InputError(f"cannot be read ({error.strerror})", file=path) from None


def _tables(text: str, file: str, format_: str, version: int) -> dict[str, Any]:
    try:
        data = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        message = str(error) or "nested too deeply"
        raise InputError(
            f"is not valid TOML: {message[:1].lower()}{message[1:]}", file=file
        ) from None
    found = data.get("format")
    if found != format_:
        raise InputError(
            "is missing" if found is None else "is another kind of file",
            file=file,
            key="format",
            value=found,
            allowed=f'"{format_}"',
        )
    number = data.get("format_version")
    if isinstance(number, bool) or not isinstance(number, int) or number < 1:
        raise InputError(
            "is missing" if number is None else "is not a version",
            file=file,
            key="format_version",
            value=number,
            allowed=f"1 to {version}",
        )
    if number > version:
        raise InputError(
            "was written by a newer version of this program",
            file=file,
            key="format_version",
            value=number,
            allowed=f"1 to {version}",
            advice="update throttlewright",
        )
    return data


def _validate(schema: type[M], data: dict[str, Any], file: str) -> M:
    try:
        return schema.model_validate(data)
    except ValidationError as error:
        raise as_input_error(error, schema, file) from None


def _dyno_columns(text: str, file: str) -> dict[str, list[float]]:
    rows = [row for row in csv.reader(io.StringIO(text)) if row and not row[0].startswith("#")]
    if not rows:
        raise InputError("is empty", file=file, allowed="the columns rpm, torque and perhaps map")
    names = [cell.split("[")[0].strip().lower() for cell in rows[0]]
    unknown = [name for name in names if name not in _DYNO_COLUMNS]
    if unknown or not {"rpm", "torque"} <= set(names) or len(set(names)) != len(names):
        raise InputError(
            "has other columns than those of a dyno curve",
            file=file,
            value=", ".join(rows[0]),
            allowed="rpm, torque [N m] and perhaps map [kPa]",
        )
    columns: dict[str, list[float]] = {name: [] for name in names}
    for number, row in enumerate(rows[1:], start=2):
        if len(row) != len(names):
            raise InputError(
                f"row {number} has {len(row)} cells where the header has {len(names)}", file=file
            )
        for name, cell in zip(names, row, strict=True):
            try:
                columns[name].append(float(cell))
            except ValueError:
                raise InputError(
                    f"row {number} is not a number", file=file, key=name, value=cell
                ) from None
    return columns


def _with_dyno(data: dict[str, Any], file: str, beside: ReadBeside) -> dict[str, Any]:
    engine = data.get("engine")
    dyno = engine.get("dyno") if isinstance(engine, dict) else None
    if not isinstance(engine, dict) or not isinstance(dyno, dict):
        return data
    name = dyno.get("file")
    if not isinstance(name, str):
        return data
    if any(column in dyno for column in _DYNO_COLUMNS):
        raise InputError(
            "both a file and a curve are given",
            file=file,
            key="engine.dyno",
            allowed="file, or rpm and torque",
        )
    try:
        check_beside(name, key="engine.dyno.file")
    except PydanticCustomError as error:
        inner = (error.context or {}).get("error")
        if isinstance(inner, InputError):
            raise inner.in_file(file) from None
        raise
    columns = _dyno_columns(beside(name), name)
    return {**data, "engine": {**engine, "dyno": {**dyno, **columns}}}


def parse_build(text: str, *, file: str, beside: ReadBeside) -> BuildFile:
    """Read a build from text.

    Parameters
    ----------
    text : str
        TOML.
    file : str
        Name for errors.
    beside : callable
        Returns the text of a file named in the build.

    Returns
    -------
    BuildFile
        Completed, with its ledger.

    Raises
    ------
    InputError
        One sentence with file, key, value and allowed range.
    """
    digest = hashlib.sha256(text.encode())
    data = _tables(text, file, BUILD_FORMAT, BUILD_VERSION)

    def read(name: str) -> str:
        content = beside(name)
        digest.update(content.encode())
        return content

    written = _validate(Build, _with_dyno(data, file, read), file)
    try:
        build, ledger = complete(written)
    except InputError as error:
        raise error.in_file(file) from None
    return BuildFile(build, ledger, file, digest.hexdigest(), written)


def parse_intent(text: str, *, file: str) -> IntentFile:
    """Read an intent from text.

    Parameters
    ----------
    text : str
        TOML.
    file : str
        Name for errors.

    Returns
    -------
    IntentFile
        Intent with the hash of the text.

    Raises
    ------
    InputError
        One sentence with file, key, value and allowed range.
    """
    data = _tables(text, file, INTENT_FORMAT, INTENT_VERSION)
    intent = _validate(Intent, data, file)
    return IntentFile(intent, file, hashlib.sha256(text.encode()).hexdigest())


def load_build(path: str | Path) -> BuildFile:
    """Read a build file and the dyno file it names, which lies beside it.

    Parameters
    ----------
    path : path
        A ``build.toml``.

    Returns
    -------
    BuildFile
        Completed, with its ledger; the hash covers both files.

    Raises
    ------
    InputError
        One sentence with file, key, value and allowed range.
    """
    place = Path(path)
    return parse_build(
        _read_text(place),
        file=str(path),
        beside=lambda name: _read_text(place.parent / name),
    )


def load_intent(path: str | Path) -> IntentFile:
    """Read an intent file.

    Parameters
    ----------
    path : path
        An ``intent.toml``.

    Returns
    -------
    IntentFile
        Intent with the hash of the file.

    Raises
    ------
    InputError
        One sentence with file, key, value and allowed range.
    """
    return parse_intent(_read_text(Path(path)), file=str(path))
