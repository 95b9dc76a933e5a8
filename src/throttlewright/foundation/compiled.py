"""The one door to compiled code.

``kernel`` compiles with a disk cache whose folder is named by the hash of every source on the
compiled floors, because numba's own cache watches only the file of the cached function: after an
edit in a callee's file it would silently run old code.
"""

from __future__ import annotations

import hashlib
import os
import tempfile
from collections.abc import Callable
from functools import cache
from pathlib import Path
from types import FunctionType
from typing import Any, TypeVar

import numba

__all__ = ["COMPILED_FLOORS", "cache_folder", "kernel", "kernel_with", "sources_hash"]

COMPILED_FLOORS = ("foundation", "physics", "car", "calibration", "drive")
"""Folders of the package that may hold compiled functions."""

F = TypeVar("F", bound=Callable[..., Any])
_KEPT_FOLDERS = 4


def sources_hash(package: Path) -> str:
    """Return the sha256 of all sources on the compiled floors and the numba version.

    Parameters
    ----------
    package : Path
        Folder of the package.

    Returns
    -------
    str
        First 16 hexadecimal digits.
    """
    digest = hashlib.sha256(numba.__version__.encode())
    for floor in COMPILED_FLOORS:
        for source in sorted((package / floor).rglob("*.py")):
            digest.update(str(source.relative_to(package)).encode())
            digest.update(source.read_bytes())
    return digest.hexdigest()[:16]


@cache
def cache_folder() -> Path:
    """Return the writable folder that holds the compiled code of exactly these sources."""
    package = Path(__file__).resolve().parent.parent
    checked = "-checked" if os.environ.get("NUMBA_BOUNDSCHECK") == "1" else ""
    name = sources_hash(package) + checked
    asked = os.environ.get("THROTTLEWRIGHT_CACHE")
    base = Path(asked) if asked else Path(os.environ.get("XDG_CACHE_HOME") or "~/.cache")
    for root in (
        base.expanduser() / "throttlewright",
        Path(tempfile.gettempdir()) / "throttlewright",
    ):
        folder = root / "kernels" / name
        try:
            folder.mkdir(parents=True, exist_ok=True)
        except (OSError, RuntimeError):
            continue
        if os.access(folder, os.W_OK):
            _drop_old(folder)
            return folder
    return Path(tempfile.mkdtemp(prefix="throttlewright-"))


def _drop_old(current: Path) -> None:
    import shutil

    others = [p for p in current.parent.iterdir() if p.is_dir() and p != current]
    others.sort(key=lambda p: p.stat().st_mtime, reverse=True)
    for stale in others[_KEPT_FOLDERS:]:
        shutil.rmtree(stale, ignore_errors=True)


def kernel(function: F) -> F:
    """Compile a function to machine code on first call, cached on disk.

    cache, nogil, numpy error model (a division by zero gives inf, as NumPy does), no fastmath.
    Arguments are float64 scalars, float64 arrays and packed records: one signature each.
    """
    previous = numba.config.CACHE_DIR
    numba.config.CACHE_DIR = str(cache_folder())
    try:
        compiled: F = numba.njit(cache=True, nogil=True, error_model="numpy")(function)
    finally:
        numba.config.CACHE_DIR = previous
    return compiled


def kernel_with(function: Callable[..., Any], **replaced: Any) -> Callable[..., Any]:
    """Compile a kernel again with other functions in place of some it calls by name.

    The result is not cached on disk: the cache tells functions apart by their source, and these
    have the same one.

    Parameters
    ----------
    function : kernel
        A compiled function.
    replaced : kernel
        What its module calls by these names; every name must be one that it knows.

    Returns
    -------
    kernel
        The same code around the other functions.

    Raises
    ------
    KeyError
        If the module of the function has no such name.
    """
    plain: FunctionType = function.py_func  # type: ignore[attr-defined]
    for name in replaced:
        plain.__globals__[name]
    again = FunctionType(plain.__code__, {**plain.__globals__, **replaced}, plain.__name__)
    compiled: Callable[..., Any] = numba.njit(nogil=True, error_model="numpy")(again)
    return compiled
