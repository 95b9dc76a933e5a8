"""What the workshop's functions share: strict models, opening a car, writing all or nothing."""

from __future__ import annotations

import math
import os
import shutil
import tempfile
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from pydantic import BaseModel, ConfigDict

from throttlewright.build.catalogue import list_sets, load_example
from throttlewright.build.load import BuildFile, load_build
from throttlewright.car.pack import Car, pack
from throttlewright.foundation.errors import InputError

__all__ = ["Model", "open_car", "round_list", "rpm", "write_folder", "write_text"]

rpm = 30.0 / math.pi
"""Revolutions per minute in one rad/s."""


class Model(BaseModel):
    """Base of every request and result; what ``--json`` prints."""

    model_config = ConfigDict(extra="forbid", frozen=True)


def open_car(build: str) -> tuple[BuildFile, Car]:
    """Read a build, by path or by the name of a shipped one, and make it ready to compute.

    Parameters
    ----------
    build : str
        Path of a build file, or a name that ``list_sets`` knows.

    Returns
    -------
    tuple of BuildFile and Car
        What was read, and the car.

    Raises
    ------
    InputError
        If the file is missing or wrong.
    """
    shipped = {info.name for info in list_sets()}
    file = load_example(build) if build in shipped else load_build(build)
    try:
        return file, pack(file.build)
    except InputError as error:
        raise error.in_file(build) from None


def round_list(values: Any, digits: int = 6) -> Any:
    """Turn an array into nested lists of numbers with at most so many significant digits."""
    array = np.asarray(values, dtype=float)
    flat = [float(f"{v:.{digits}g}") if np.isfinite(v) else None for v in array.ravel()]
    return np.array(flat, dtype=object).reshape(array.shape).tolist()


def write_text(path: Path, text: str) -> None:
    """Write a text so that the file holds either all of it or what it held before."""
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=path.name, suffix=".part")
    try:
        with os.fdopen(handle, "w", encoding="utf-8", newline="\n") as stream:
            stream.write(text)
        os.replace(name, path)
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise


_MARK = ".throttlewright"
_MARK_HEAD = "written by throttlewright: the files named here are replaced, all others are kept"


def _names(folder: Path) -> list[str]:
    """Names of the files in a folder and below, with slashes; a link counts as a file."""
    found = []
    for place, folders, files in os.walk(folder):
        links = [name for name in folders if (Path(place) / name).is_symlink()]
        found += [(Path(place) / name).relative_to(folder).as_posix() for name in (*files, *links)]
    return sorted(found)


def _foreign(folder: Path, new: Sequence[str]) -> list[str]:
    """Names of the files in a marked folder that its mark does not name."""
    lines = (folder / _MARK).read_text(encoding="utf-8", errors="replace").splitlines()
    # a mark without names is of a time when results alone lay beside it
    written = lines[1:] if lines[:1] == [_MARK_HEAD] else new
    return sorted({*_names(folder)} - {_MARK, *written})


def _carry(folder: Path, staging: Path, names: Sequence[str]) -> None:
    """Take files of another hand along, so that the old folder stays whole until the new stands."""
    for name in names:
        clash = [name, *(part.as_posix() for part in Path(name).parents)][:-1]
        if os.path.lexists(staging / name) or any((staging / n).is_file() for n in clash):
            raise InputError(
                "a file that was not written by this command has the name of a result",
                file=folder / name,
                advice="move it, or give another --out",
            )
        (staging / name).parent.mkdir(parents=True, exist_ok=True)
        try:
            os.link(folder / name, staging / name, follow_symlinks=False)
        except (OSError, NotImplementedError):
            shutil.copy2(folder / name, staging / name, follow_symlinks=False)


def write_folder(
    target: str | Path, files: Mapping[str, str], *, extra: Callable[[Path], None] | None = None
) -> Path:
    """Write a set of files as one folder: all of them or none.

    In a folder written here earlier the files that were written then are replaced, and whatever
    else lies there is kept; any other folder that is not empty is refused.

    Parameters
    ----------
    target : str or Path
        Folder to write.
    files : mapping of str to str
        Text by file name.
    extra : callable, optional
        Writes further files into the folder it is given.

    Returns
    -------
    Path
        The folder.

    Raises
    ------
    InputError
        If the folder holds something else, or a file of another hand has a name that is to be
        written, or it cannot be written.
    """
    folder = Path(target)
    ours = (folder / _MARK).is_file()
    if folder.exists() and not folder.is_dir():
        raise InputError("is a file, not a folder", file=folder, advice="give another --out")
    if folder.is_dir() and not ours and any(folder.iterdir()):
        raise InputError(
            "the folder holds files that were not written by this command",
            file=folder,
            advice="give another --out",
        )
    staging = None
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        staging = Path(tempfile.mkdtemp(dir=folder.parent, prefix=f".{folder.name}-"))
        staging.chmod(0o755)
        for name, text in files.items():
            (staging / name).parent.mkdir(parents=True, exist_ok=True)
            (staging / name).write_text(text, encoding="utf-8", newline="\n")
        if extra is not None:
            extra(staging)
        new = _names(staging)
        (staging / _MARK).write_text("\n".join((_MARK_HEAD, *new, "")), encoding="utf-8")
        old = None
        if ours:
            _carry(folder, staging, _foreign(folder, new))
        if folder.exists():
            old = Path(tempfile.mkdtemp(dir=folder.parent, prefix=f".{folder.name}-old-"))
            os.replace(folder, old / "was")
        try:
            os.replace(staging, folder)
        except BaseException:
            if old is not None:
                os.replace(old / "was", folder)
                old.rmdir()
            raise
        if old is not None:
            shutil.rmtree(old, ignore_errors=True)
    except OSError as error:
        raise InputError(
            f"cannot be written ({error.strerror or error})",
            file=folder,
            advice="give another --out",
        ) from None
    finally:
        if staging is not None and staging.exists():
            shutil.rmtree(staging, ignore_errors=True)
    return folder
