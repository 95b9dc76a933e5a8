"""Write a first build and intent."""

from __future__ import annotations

from pathlib import Path

from throttlewright.build.catalogue import list_sets, set_text
from throttlewright.build.json_schema import build_json_schema, intent_json_schema, schema_text
from throttlewright.build.templates import build_template, intent_template
from throttlewright.foundation.errors import InputError
from throttlewright.foundation.events import Cancelled, OnEvent, ignore, never
from throttlewright.workshop.common import Model, write_text

__all__ = ["NewRequest", "NewResult", "new"]


class NewRequest(Model):
    """Where to write, and what to start from."""

    folder: str = "."
    example: str | None = None
    """Name of a shipped build to start from; an annotated blank one when left out."""
    name: str = "New car"
    force: bool = False


class NewResult(Model):
    """Files written, and what to do next."""

    written: list[str]
    next: str


def new(
    request: NewRequest, *, on_event: OnEvent = ignore, cancelled: Cancelled = never
) -> NewResult:
    """Write ``build.toml``, ``intent.toml`` and their JSON Schemas for editors."""
    folder = Path(request.folder)
    if request.example is None:
        texts = {"build.toml": build_template(request.name), "intent.toml": intent_template()}
    else:
        texts = {"build.toml": set_text(request.example)}
        info = {i.name: i for i in list_sets()}[request.example]
        texts["intent.toml"] = (
            set_text(request.example, "_intent.toml") if info.has_intent else intent_template()
        )
        for beside in (f"{request.example}_dyno.csv",):
            try:
                texts[beside] = set_text(request.example, "_dyno.csv")
            except (InputError, FileNotFoundError):
                continue
    texts["build.schema.json"] = schema_text(build_json_schema())
    texts["intent.schema.json"] = schema_text(intent_json_schema())
    if folder.exists() and not folder.is_dir():
        raise InputError("is a file, not a folder", file=folder)
    taken = [name for name in texts if (folder / name).exists()]
    if taken and not request.force:
        raise InputError(
            f"{taken[0]} is already there",
            file=folder,
            advice="give another folder, or --force to replace it",
        )
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, text in texts.items():
            write_text(folder / name, text)
    except OSError as error:
        raise InputError(f"cannot be written ({error.strerror})", file=folder) from None
    return NewResult(
        written=[str(folder / name) for name in texts],
        next=f"edit {folder / 'build.toml'}, then: throttlewright check {folder / 'build.toml'}",
    )
