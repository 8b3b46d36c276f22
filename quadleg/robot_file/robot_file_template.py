"""A new robot file: the keys of the schema in their order, each with its figure and what it means.

A key without a figure is offered as a comment where there is an example of it.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from textwrap import wrap
from typing import Any

from ruamel.yaml.error import YAMLError

from quadleg.robot_file.plain_yaml import plain_yaml
from quadleg.robot_file.robot_schema import robot_schema

INLINE = "x-inline"  # keyword of our own in a schema: a section that stands in one line, its keys in braces
COLUMN, WIDTH = 25, 112  # of the comments behind keys, and of what goes there, indents apart

Figures = Mapping[str, Any]


def robot_file_text(figures: Figures, examples: Figures, notes: Mapping[str, str]) -> str:
    """The text of a robot file with these figures, by sections and keys.

    `examples`, likewise by sections and keys, go ahead of the schema's; `notes` are added to what the schema says of a
    key, by its dotted name. Raises ValueError for a required key without a figure.
    """
    blocks = _blocks(robot_schema(), "", figures, examples, notes)
    return "\n\n".join(_aligned(block) for block in blocks) + "\n"


def _blocks(
    schema: dict[str, Any], section: str, figures: Figures, examples: Figures, notes: Mapping[str, str]
) -> list[list[str]]:
    """The lines of each key of a section, indented as if the section were the file."""
    keys = schema.get("properties") or dict.fromkeys(figures, schema["additionalProperties"])
    blocks = []
    for key, part in keys.items():
        example = examples.get(key, part.get("examples", [None])[0])
        if key not in figures and key in schema.get("required", ()):
            place = f"{section}.{key}".lstrip(".")
            raise ValueError(f"{place} is a required key without a figure: give it one in wizard/new_robot_file.py")
        if key in figures:
            inner = example if isinstance(example, dict) else {}
            blocks.append(_block(part, section, key, figures[key], inner, notes))
        elif example is not None:
            block = _block(part, section, key, example, {}, notes)
            blocks.append([line if line.startswith("#") else f"# {line}" for line in block])
    return blocks


def _block(
    schema: dict[str, Any], section: str, key: str, value: Any, examples: Figures, notes: Mapping[str, str]
) -> list[str]:
    place = f"{section}.{key}".lstrip(".")
    meaning = "; ".join(filter(None, (schema.get("description", ""), notes.get(place, ""))))
    first = f"{key}:" if isinstance(value, Mapping) else f"{key}: {_written(value, key)}"
    lines = [first]
    if meaning and max(len(first), COLUMN) + len(meaning) > WIDTH:
        lines = [*(f"# {line}" for line in wrap(meaning, WIDTH)), first]
    elif meaning:
        lines = [f"{first}  # {meaning}"]
    if not isinstance(value, Mapping):
        return lines
    kind = schema.get("additionalProperties") or next(iter(schema["properties"].values()))
    if isinstance(kind, dict) and kind.get(INLINE):
        widest = max(map(len, value)) + 1
        return [*lines, *(f"  {name + ':':<{widest}} {_in_braces(keys)}" for name, keys in value.items())]
    return [*lines, *(f"  {line}" for block in _blocks(schema, place, value, examples, notes) for line in block)]


def _in_braces(keys: Figures) -> str:
    return f"{{{', '.join(f'{key}: {_written(value, key)}' for key, value in keys.items())}}}"


def _written(value: Any, key: str = "") -> str:
    """A value as it stands in YAML."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, (list, tuple)):
        return f"[{', '.join(_written(item) for item in value)}]"
    if isinstance(value, str):
        return value if _is_plain(value) else json.dumps(value)
    return f"0x{value:02X}" if key == "address" else f"{value:g}"


def _is_plain(text: str) -> bool:
    """Whether YAML takes a text without quotes for itself."""
    try:
        return bool(plain_yaml().load(f"key: {text}") == {"key": text})
    except YAMLError:
        return False


def _aligned(block: list[str]) -> str:
    """The comments behind keys, each marked by two spaces, one below the other."""
    lines = [re.findall(r"(.*\S)  # (.*)", line) for line in block]
    widest = max([COLUMN, *(len(key) for found in lines for key, _ in found)])
    return "\n".join(f"{found[0][0]:<{widest}} # {found[0][1]}" if found else line for found, line in zip(lines, block))
