"""JSON Schema of build and intent for editors that complete and check TOML."""

from __future__ import annotations

import json
from typing import Any

from throttlewright.build.intent import INTENT_FORMAT, INTENT_VERSION, Intent
from throttlewright.build.schema import BUILD_FORMAT, BUILD_VERSION, Build

__all__ = ["build_json_schema", "intent_json_schema", "schema_text"]

_DIALECT = "https://json-schema.org/draft/2020-12/schema"


def _clean(node: Any) -> Any:
    """Drop null defaults and null branches: TOML has no null, an absent key is left out.

    The default of a whole section says nothing but that its keys may be left out.
    """
    if isinstance(node, list):
        return [_clean(item) for item in node]
    if not isinstance(node, dict):
        return node
    kept = {
        key: _clean(value)
        for key, value in node.items()
        if not (key == "default" and (value is None or isinstance(value, dict)))
    }
    branches = kept.get("anyOf")
    if isinstance(branches, list):
        branches = [branch for branch in branches if branch != {"type": "null"}]
        if len(branches) == 1:
            kept.pop("anyOf")
            kept = {**branches[0], **kept}
        else:
            kept["anyOf"] = branches
    return kept


def _schema(model: type[Build] | type[Intent], format_: str, version: int) -> dict[str, Any]:
    cleaned: dict[str, Any] = _clean(model.model_json_schema(by_alias=True))
    cleaned["required"] = sorted({*cleaned.get("required", []), "format", "format_version"})
    return {
        "$schema": _DIALECT,
        "title": f"{format_} {version}",
        **{key: value for key, value in cleaned.items() if key != "title"},
    }


def build_json_schema() -> dict[str, Any]:
    """Return the JSON Schema of ``build.toml``."""
    return _schema(Build, BUILD_FORMAT, BUILD_VERSION)


def intent_json_schema() -> dict[str, Any]:
    """Return the JSON Schema of ``intent.toml``."""
    return _schema(Intent, INTENT_FORMAT, INTENT_VERSION)


def schema_text(schema: dict[str, Any]) -> str:
    """Return a schema as text, the same text every time.

    Parameters
    ----------
    schema : dict
        From ``build_json_schema`` or ``intent_json_schema``.

    Returns
    -------
    str
        Indented JSON with a final line end.
    """
    return json.dumps(schema, indent=2, ensure_ascii=False) + "\n"
