"""Builds and intents shipped with the package, by name."""

from __future__ import annotations

from dataclasses import dataclass
from importlib.resources import files
from importlib.resources.abc import Traversable

from throttlewright.build.load import BuildFile, IntentFile, parse_build, parse_intent
from throttlewright.foundation.errors import InputError, nearest

__all__ = ["SetInfo", "list_sets", "load_example", "load_example_intent", "set_text"]

_SHELVES = ("examples", "published")
_INTENT = "_intent.toml"


@dataclass(frozen=True)
class SetInfo:
    """A shipped build: its name, whether invented or published, and whether it has an intent."""

    name: str
    shelf: str
    has_intent: bool


def _shelf(name: str) -> Traversable:
    return files("throttlewright.build").joinpath("sets").joinpath(name)


def list_sets() -> tuple[SetInfo, ...]:
    """Return what is shipped, examples first, by name."""
    found: list[SetInfo] = []
    for shelf in _SHELVES:
        names = {item.name for item in _shelf(shelf).iterdir() if item.name.endswith(".toml")}
        found += [
            SetInfo(name.removesuffix(".toml"), shelf, name.replace(".toml", _INTENT) in names)
            for name in sorted(names)
            if not name.endswith(_INTENT)
        ]
    return tuple(found)


def _find(name: str) -> SetInfo:
    known = {info.name: info for info in list_sets()}
    if name not in known:
        close = nearest(name, list(known))
        raise InputError(
            "no shipped build has this name",
            value=name,
            allowed=", ".join(known),
            advice=f'the nearest is "{close}"' if close else None,
        )
    return known[name]


def set_text(name: str, suffix: str = ".toml") -> str:
    """Return the text of a shipped file.

    Parameters
    ----------
    name : str
        Such as ``"hillclimb_20t"``.
    suffix : str
        ``".toml"`` for the build, ``"_intent.toml"`` for the intent.

    Returns
    -------
    str
        Text as shipped.

    Raises
    ------
    InputError
        If there is no such build or file.
    """
    info = _find(name)
    resource = _shelf(info.shelf).joinpath(name + suffix)
    if not resource.is_file():
        raise InputError("is not shipped with this build", file=name + suffix)
    return resource.read_text(encoding="utf-8")


def load_example(name: str) -> BuildFile:
    """Return a shipped build, completed.

    Parameters
    ----------
    name : str
        Such as ``"hillclimb_20t"``; ``list_sets`` names all.

    Returns
    -------
    BuildFile
        As ``load_build`` gives it.

    Raises
    ------
    InputError
        If there is no such build.
    """
    shelf = _shelf(_find(name).shelf)
    return parse_build(
        set_text(name),
        file=f"{name}.toml",
        beside=lambda other: shelf.joinpath(other).read_text(encoding="utf-8"),
    )


def load_example_intent(name: str) -> IntentFile:
    """Return the intent shipped with a build.

    Parameters
    ----------
    name : str
        Name of the build.

    Returns
    -------
    IntentFile
        As ``load_intent`` gives it.

    Raises
    ------
    InputError
        If there is no such build, or it has no intent.
    """
    return parse_intent(set_text(name, _INTENT), file=name + _INTENT)
