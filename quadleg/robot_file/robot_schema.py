"""The schema of robot files, from which loading, checks, new files and editors' completion are made.

Beside JSON Schema's own keywords (draft 2020-12), of which `examples` holds what a new file offers for an optional key,
it has some of ours: `x-needed-for`, the kinds of board that need the key, and those of schema_document.py
(`x-ascending`, `x-field`) and robot_file_template.py (`x-inline`).

Kinds of sensors and their addresses are those of hardware/sensor_kinds.py. For editors, which read nothing else, the
file has them too, and the kinds of boards of servos/board_kinds.py; tests compare.
"""

from __future__ import annotations

import json
from functools import cache
from importlib.resources import files
from typing import Any

from quadleg.hardware.sensor_kinds import SENSOR_ROLES, SensorRole

NEEDED_FOR = "x-needed-for"


@cache
def robot_schema() -> dict[str, Any]:
    """The schema with its references replaced by what they refer to and the sensors of the table; not to be changed."""
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

    schema = resolved(schema)
    for role in SENSOR_ROLES:
        _fill_in_kinds(schema, role)
    return schema


def _fill_in_kinds(schema: dict[str, Any], role: SensorRole[Any]) -> None:
    """Let `schema` allow the kinds of a sensor and all their addresses; those of one kind are a check between keys."""
    for name in role.section:
        schema = schema["properties"][name]
    addresses = sorted(address for kind in role.kinds.values() for address in kind.addresses)
    first, last = addresses[0], addresses[-1]
    between = "or" if len(addresses) == 2 else "to"
    schema["properties"]["kind"]["enum"] = list(role.kinds)
    schema["properties"]["address"] |= {
        "description": f"its I2C address, 0x{first:02X} ({first}) {between} 0x{last:02X} ({last})",
        "minimum": first,
        "maximum": last,
    }
