"""Read and replace one number of a build by its dotted key, such as ``engine.inertia``."""

from __future__ import annotations

from typing import Any

from throttlewright.build.schema import Build

__all__ = ["value_at", "with_value"]


def value_at(build: Build, key: str) -> Any:
    """Return what stands at a dotted key, None where a section on the way is absent."""
    found: Any = build
    for part in key.split("."):
        found = getattr(found, part, None)
    return found


def with_value(build: Build, key: str, value: Any) -> Build:
    """Return a copy of the build with another value at a dotted key of at most two parts."""
    section, _, name = key.rpartition(".")
    if not section:
        return build.model_copy(update={name: value})
    changed = getattr(build, section).model_copy(update={name: value})
    return build.model_copy(update={section: changed})
