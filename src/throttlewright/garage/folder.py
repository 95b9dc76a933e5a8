"""A branch of a car as a folder of files, and back."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path

from throttlewright.foundation.errors import InputError
from throttlewright.garage.contents import check_kind
from throttlewright.garage.database import plain_faults
from throttlewright.garage.records import Kind, RevisionInfo, Saved
from throttlewright.garage.store import MAIN, Garage

__all__ = ["export", "file_name", "import_folder", "read_file", "thing_of"]

_SUFFIXES: dict[Kind, str] = {
    "calibration": ".calibration.json",
    "verdicts": ".verdicts.json",
    "layout": ".layout.json",
    "note": ".note.txt",
    "recording": ".parquet",
    "build": ".build.toml",
    "intent": ".intent.toml",
    "beside": ".csv",
}


def file_name(kind: Kind, name: str) -> str:
    """Return the name of the file that holds a thing outside the garage."""
    if kind == "beside":
        return name
    if kind in ("build", "intent") and name == kind:
        return f"{name}.toml"
    return name + _SUFFIXES[kind]


def thing_of(path: str) -> tuple[Kind, str] | None:
    """Return kind and name that a file name stands for; None for any other file."""
    if path in ("build.toml", "intent.toml"):
        kind = check_kind(path.removesuffix(".toml"))
        return kind, kind
    for kind, suffix in _SUFFIXES.items():
        if path.endswith(suffix) and path != suffix:
            if kind == "beside":
                return kind, path
            return None if "/" in path else (kind, path.removesuffix(suffix))
    return None


def export(garage: Garage, car: str | int, folder: str | Path, *, branch: str = MAIN) -> list[str]:
    """Write the newest of everything on a branch into a new folder: all of it or nothing.

    Parameters
    ----------
    garage : Garage
        Where the car is.
    car : str or int
        Name or number.
    folder : str or Path
        Folder to write; it must be empty or not be there.
    branch : str
        Line of work.

    Returns
    -------
    list of str
        Names of the files.

    Raises
    ------
    InputError
        If the folder holds something, or cannot be written.
    """
    target = Path(folder).absolute()
    files: dict[str, RevisionInfo] = {}
    for item in garage.items(car, branch=branch):
        files.setdefault(file_name(item.kind, item.name), item)
    if not files:
        raise InputError("has nothing to export on this branch", file=garage.car(car).name)
    with plain_faults(target):
        if target.exists() and (not target.is_dir() or any(target.iterdir())):
            raise InputError(
                "is not an empty folder", file=target, advice="give another folder to write"
            )
        target.parent.mkdir(parents=True, exist_ok=True)
        staging = Path(tempfile.mkdtemp(dir=target.parent, prefix=f".{target.name}-"))
        try:
            staging.chmod(0o755)
            for name, item in files.items():
                content = garage.content(item.id)
                place = staging / name
                place.parent.mkdir(parents=True, exist_ok=True)
                place.write_bytes(content if isinstance(content, bytes) else content.encode())
            if target.exists():
                target.rmdir()
            os.replace(staging, target)
        finally:
            shutil.rmtree(staging, ignore_errors=True)
    return sorted(files)


def _known_files(folder: Path) -> Iterator[tuple[Kind, str, Path]]:
    found = []
    for path in sorted(folder.rglob("*")):
        inner = path.relative_to(folder)
        hidden = any(part.startswith(".") for part in inner.parts)
        if hidden or path.is_symlink() or not path.is_file():
            continue
        thing = thing_of(inner.as_posix())
        if thing is not None:
            found.append((*thing, path))
    # A folder may hold other tables: those that no build names do not belong to the car.
    builds = [str(read_file(kind, path)) for kind, _, path in found if kind == "build"]
    for kind, name, path in found:
        if kind != "beside" or any(f'"{name}"' in text for text in builds):
            yield kind, name, path


def import_folder(
    garage: Garage,
    car: str | int,
    folder: str | Path,
    *,
    who: str,
    why: str = "",
    branch: str = MAIN,
) -> list[Saved]:
    """Save each file of a folder that a garage can keep, as the newest of its kind and name.

    Parameters
    ----------
    garage : Garage
        Where the car is.
    car : str or int
        Name or number.
    folder : str or Path
        Such as ``export`` wrote, or a folder with a ``build.toml``; other files are passed over.
    who, why : str
        For the history.
    branch : str
        Line of work.

    Returns
    -------
    list of Saved
        One for each file; each is a save of its own, so that what went well stays.

    Raises
    ------
    InputError
        If the folder is not there or holds nothing to keep, or in the words of a file's loader.
    """
    place = Path(folder)
    if not place.is_dir():
        raise InputError("is no folder", file=place)
    with plain_faults(place):
        found = list(_known_files(place))
    if not found:
        raise InputError(
            "holds nothing that a garage keeps", file=place, allowed=", ".join(_SUFFIXES.values())
        )
    # Files beside a build go first: the build is checked with them.
    found.sort(key=lambda item: item[0] != "beside")
    heads = {(item.kind, item.name): item.id for item in garage.items(car, branch=branch)}
    done = []
    for kind, name, path in found:
        done.append(
            garage.save(
                car,
                kind,
                name,
                read_file(kind, path),
                base_revision=heads.get((kind, name)),
                who=who,
                why=why or f"from {place.name}",
                branch=branch,
            )
        )
    return done


def read_file(kind: Kind, path: Path) -> str | bytes:
    """Return the content of a file as the garage keeps it."""
    try:
        content = path.read_bytes()
        return content if kind == "recording" else content.decode("utf-8-sig")
    except FileNotFoundError:
        raise InputError("there is no such file", file=path) from None
    except UnicodeDecodeError:
        raise InputError("is not UTF-8 text", file=path) from None
    except OSError as error:
        raise InputError(f"cannot be read ({error.strerror or error})", file=path) from None
