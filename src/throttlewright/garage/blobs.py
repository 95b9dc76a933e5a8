"""Large contents as files beside the database, each named by the hash of its bytes."""

from __future__ import annotations

import hashlib
import os
import tempfile
import time
from pathlib import Path

from throttlewright.foundation.errors import InputError

__all__ = ["FOLDER", "blob_path", "read_blob", "sweep", "write_blob"]

FOLDER = "blobs"
_SCRATCH = ".part-"
_DAY_S = 86400.0


def blob_path(folder: Path, sha256: str) -> Path:
    """Return where the bytes of a hash stand."""
    return folder / FOLDER / sha256[:2] / f"{sha256}.parquet"


def write_blob(folder: Path, content: bytes) -> str:
    """Write bytes so that the file, once it has its name, is whole and on the disk.

    Parameters
    ----------
    folder : Path
        Folder of the garage.
    content : bytes
        What to keep.

    Returns
    -------
    str
        The sha256, by which ``read_blob`` finds it.
    """
    sha256 = hashlib.sha256(content).hexdigest()
    target = blob_path(folder, sha256)
    if target.is_file() and target.stat().st_size == len(content):
        return sha256
    target.parent.mkdir(parents=True, exist_ok=True)
    handle, name = tempfile.mkstemp(dir=folder / FOLDER, prefix=_SCRATCH)
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.write(content)
            stream.flush()
            os.fsync(stream.fileno())
        os.replace(name, target)
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise
    # The names survive a power cut only when the folders that hold them are written as well.
    for place in (target.parent, target.parent.parent, folder):
        _sync_folder(place)
    return sha256


def _sync_folder(place: Path) -> None:
    if os.name == "nt":
        return
    handle = os.open(place, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def read_blob(folder: Path, sha256: str) -> bytes:
    """Return the bytes of a hash.

    Raises
    ------
    InputError
        If the file is missing or no longer holds these bytes.
    """
    path = blob_path(folder, sha256)
    try:
        content = path.read_bytes()
    except FileNotFoundError:
        raise InputError(
            "the file of this recording is gone", file=path, advice="put it back from a copy"
        ) from None
    if hashlib.sha256(content).hexdigest() != sha256:
        raise InputError(
            "the file of this recording was changed or is damaged",
            file=path,
            advice="put it back from a copy",
        )
    return content


def sweep(folder: Path) -> None:
    """Delete what a killed program left half-written more than a day ago."""
    for path in (folder / FOLDER).glob(f"{_SCRATCH}*"):
        try:
            if time.time() - path.stat().st_mtime > _DAY_S:
                path.unlink()
        except OSError:
            continue
