"""The schema of robot files, from which loading, checks, new files and editors' completion are made.

Beside JSON Schema's own keywords (draft 2020-12), of which `examples` holds what a new file offers for an optional key,
it has some of ours: `x-needed-for`, the kind of board that cannot do without the key, and those of schema_document.py
(`x-ascending`, `x-field`) and robot_file_template.py (`x-inline`).
"""

from __future__ import annotations

import json
from functools import cache
from importlib.resources import files
from typing import Any

NEEDED_FOR = "x-needed-for"


@cache
def robot_schema() -> dict[str, Any]:
    """The schema with its references replaced by what they refer to; not to be changed."""
    schema = json.loads(files("quadleg.robot_file").joinpath("robot_file.schema.json").read_text(encoding="utf-8"))
    definitions = schema.pop("$defs")

    def resolved(part: Any) -> Any:
        if isinstance(part, list):
            return [resolved(item) for item in part]
        if not isinstance(part, dict):
            return part
        if reference := part.get("$ref"):
            part = {**definitions[reference.rsplit("/", 1)[1]], **part}
            del part["$ref"]
        return {key: resolved(value) for key, value in part.items()}

    found: dict[str, Any] = resolved(schema)
    return found
