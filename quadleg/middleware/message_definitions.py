"""The definition of a message type as text, for recordings: that of the ROS 2 interface description."""

from __future__ import annotations

from typing import Any

from rosidl_parser.definition import AbstractNestedType, Array, BasicType, BoundedSequence, NamespacedType

from quadleg.middleware.topics import class_of

_BASIC = {"boolean": "bool", "octet": "byte", "float": "float32", "double": "float64"}
_SEPARATOR = "=" * 80


def definition_of(type_name: str) -> str:
    """The fields of a type, then of each type in it behind a line of `=` and `MSG: package/Name`.

    Made from the class, since not every installation has the files with the definitions.
    """
    parts, waiting, known = [], [type_name], {type_name}
    while waiting:
        name = waiting.pop(0)
        lines, inner = _fields(class_of(name))
        package, _, short = name.split("/")
        head = "" if name == type_name else f"{_SEPARATOR}\nMSG: {package}/{short}\n"
        parts.append(head + "".join(f"{line}\n" for line in lines))
        new = [other for other in inner if other not in known]
        known |= set(new)
        waiting += dict.fromkeys(new)
    return "".join(parts)


def _fields(kind: Any) -> tuple[list[str], list[str]]:
    """The lines of one type, and the types that it holds."""
    lines, inner = [], []
    for name, slot in zip(kind.get_fields_and_field_types(), kind.SLOT_TYPES):
        one, many = slot, ""
        if isinstance(slot, AbstractNestedType):
            one, many = slot.value_type, "[]"
            if isinstance(slot, Array):
                many = f"[{slot.size}]"
            elif isinstance(slot, BoundedSequence):
                many = f"[<={slot.maximum_size}]"
        if isinstance(one, NamespacedType):
            package, *_ = one.namespaces
            lines.append(f"{package}/{one.name}{many} {name}")
            inner.append(f"{package}/msg/{one.name}")
        elif isinstance(one, BasicType):
            lines.append(f"{_BASIC.get(one.typename, one.typename)}{many} {name}")
        else:
            lines.append(f"string{many} {name}")
    return lines, inner
