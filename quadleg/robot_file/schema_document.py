"""A YAML file checked against a JSON Schema: its data, the line of each key, and every fault found so far.

Nothing here knows what a robot is.
"""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Callable, Iterable, Iterator
from dataclasses import fields
from pathlib import Path
from typing import Any, TypeVar

from jsonschema import Draft202012Validator, ValidationError, validators
from ruamel.yaml.error import YAMLError
from ruamel.yaml.nodes import MappingNode, Node, SequenceNode

from quadleg.errors import MOST_TOLD, Fault, RobotFileError
from quadleg.robot_file.maker_units import (
    in_larger_and_smaller_units,
    in_si,
    number_from,
    same_in_another_unit,
    unit_of,
    without_unit,
)
from quadleg.robot_file.plain_yaml import MOST_BYTES, bounded_text, plain_yaml
from quadleg.robot_file.yaml_errors import NO_SPACE, PUT_A_SPACE, syntax_fault

Key = tuple[Any, ...]
Built = TypeVar("Built")

# Keywords of our own in a schema: a pair in order, and the dataclass field that a key is for, where that is not its own
# name without the unit.
ASCENDING, FIELD = "x-ascending", "x-field"

_DECIMAL_COMMA = re.compile(r"[-+]?\d+,\d+")


def _is_finite_number(_checker: object, value: object) -> bool:
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        return False
    return isinstance(value, int) or math.isfinite(value)


def _ascends(validator: Any, wanted: bool, value: Any, _schema: Any) -> Iterator[ValidationError]:
    """A keyword of our own: a list of two numbers has the lower one first."""
    pair = isinstance(value, list) and len(value) == 2 and all(validator.is_type(item, "number") for item in value)
    if wanted and pair and value[0] >= value[1]:
        yield ValidationError(f"write the lower one first: [{value[1]}, {value[0]}]")


# JSON has no NaN and no infinity, but YAML has, and each would pass every `minimum`.
_Validator = validators.extend(
    Draft202012Validator,
    {ASCENDING: _ascends},
    type_checker=Draft202012Validator.TYPE_CHECKER.redefine("number", _is_finite_number),
)


class Unsound(Exception):
    """A value was asked for that is missing or has a fault: nothing can be worked out from it."""


class Document:
    """The text of one file, checked against `schema`, which has no references; `path` is what faults name.

    `faults` are those of the syntax, of the keys and of the schema, to which the caller, who knows the meaning, adds
    by `fault`. A key is the tuple of names and indices that leads to a value, e.g.
    `("servos", "front_left_hip", "channel")`. `value` gives sound values alone and raises Unsound for all
    others, so that work on the file is done by `attempt`.

    Raises RobotFileError at once only where there is no mapping to look into.
    """

    def __init__(self, path: Path, text: str, schema: dict[str, Any]) -> None:
        self.path = path
        self._faults: dict[Key, Fault] = {}
        # The keys of the faults, and those that stand in the file under a misspelt name.
        self._unsound: set[Key] = set()
        self._lines: dict[Key, int] = {(): 1}
        self._schema = schema
        self._data = self._parse(text)
        self._check()

    @property
    def faults(self) -> list[Fault]:
        return list(self._faults.values())

    def fault(self, remedy: str, *key: Any) -> None:
        """Record a fault of the value at `key`. The first one of a key stands: later ones follow from it."""
        if key in self._faults:
            return
        place, value = key, self._at(key)
        while place not in self._lines:
            place = place[:-1]
        shown = value if not isinstance(value, (dict, list)) or _is_flat(value) else None
        self._record(key, self._lines[place], shown, remedy)

    def value(self, *key: Any) -> Any:
        """What stands at `key`, which fits the schema; None where an optional key is left out.

        Raises Unsound where there is a fault at `key`, in it, or around it.
        """
        if any(place[: len(key)] == key[: len(place)] for place in self._unsound):
            raise Unsound
        return self._at(key)

    def names(self, *section: Any) -> list[Any]:
        """The keys in a section, sound or not. Raises Unsound where it is no section."""
        if any(section[: len(place)] == place for place in self._unsound):
            raise Unsound
        return list(self._at(section) or ())

    def attempt(self, work: Callable[..., Any], *arguments: Any) -> Any:
        """`work(document, *arguments)`, or None where it asks for a value that is not sound."""
        try:
            return work(self, *arguments)
        except Unsound:
            return None

    def si(self, *key: Any) -> Any:
        """`value` in SI, by the unit in the key's name."""
        value = self.value(*key)
        return None if value is None else in_si(key[-1], value)

    def fields(self, kind: type, *section: Any) -> dict[str, Any]:
        """What a section says of the fields of a dataclass, in SI: each key is the field of its name without unit.

        Where the schema names another field by FIELD, that one; keys for which there is no field are left out.
        """
        wanted = {field.name for field in fields(kind)}
        found: dict[str, Any] = {}
        for key, value in (self.value(*section) or {}).items():
            schema = self._schema_of(*section, key)
            name = schema.get(FIELD, without_unit(key))
            if name in wanted:
                found[name] = int(value) if schema.get("type") == "integer" else in_si(key, value)
        return found

    def build(self, kind: type[Built], /, *section: Any, **others: Any) -> Built:
        """A dataclass with the `fields` of a section, and with `others` as they are. Raises Unsound as `value` does."""
        return kind(**{**self.fields(kind, *section), **others})

    def _schema_of(self, *key: Any) -> dict[str, Any]:
        """The schema of what stands at `key`, which fits it."""
        schema = self._schema
        for part in key:
            schema = schema.get("properties", {}).get(part) or schema["additionalProperties"]
        return schema

    def _at(self, key: Key) -> Any:
        value: Any = self._data
        for part in key:
            try:
                value = value[part]
            except (KeyError, IndexError, TypeError):
                return None
        return value

    def _record(self, key: Key, line: int, value: object, remedy: str) -> None:
        self._unsound.add(key)
        self._faults[key] = Fault(self.path, line, _dotted(key), value, remedy)

    def _parse(self, text: str) -> dict[str, Any]:
        if len(text) > MOST_BYTES:
            raise RobotFileError([Fault(self.path, 1, "", None, f"it has more than {MOST_BYTES // 1000} kB")])
        try:
            yaml = plain_yaml()
            yaml.allow_duplicate_keys = True  # told by _walk, which finds every one of them
            root = yaml.compose(text)
            data = root and yaml.constructor.construct_document(root)
        except (YAMLError, ValueError, RecursionError) as error:
            line, remedy = syntax_fault(error, text)
            raise RobotFileError([Fault(self.path, line, "syntax", None, remedy)]) from None
        if not isinstance(data, dict):
            found = "is empty" if data is None else f"holds {_kind_of(data)}"
            remedy = f"{found}: write `key: value` lines with the keys {_listed(self._schema['properties'])}"
            raise RobotFileError([Fault(self.path, 1, "", None, remedy)])
        self._walk(root, ())
        return data

    def _walk(self, node: Node, key: Key) -> None:
        """Note the line of every key, and the keys that stand twice."""
        if isinstance(node, SequenceNode):
            for index, item in enumerate(node.value):
                inner = (*key, index)
                self._lines[inner] = item.start_mark.line + 1
                self._walk(item, inner)
        elif isinstance(node, MappingNode):
            for name, value in node.value:
                inner, line = (*key, str(name.value)), name.start_mark.line + 1
                if inner in self._lines:
                    remedy = f"both here and on line {self._lines[inner]}: keep one of the two"
                    self._record(inner, line, None, remedy)
                else:
                    self._lines[inner] = line
                    self._walk(value, inner)

    def _check(self) -> None:
        for error in _Validator(self._schema).iter_errors(self._data):
            if len(self._faults) >= MOST_TOLD:
                raise RobotFileError(self.faults)
            key = tuple(error.absolute_path)
            if error.validator in ("required", "dependentRequired", "additionalProperties"):
                self._check_keys(key, error)
            elif error.validator == ASCENDING:
                self.fault(error.message, *key)
            elif "propertyNames" in error.absolute_schema_path:
                self.fault(f"not a name: write {_expected(error.schema)}", *key, error.instance)
            else:
                self.fault(f"write {_expected(error.schema)}{_hint(error)}", *key)

    def _check_keys(self, section: Key, error: ValidationError) -> None:
        schema: Any = error.schema
        present: Any = error.instance
        known = schema["properties"]
        wanted = list(schema.get("required", ()))
        for key, others in schema.get("dependentRequired", {}).items():
            wanted += others if key in present else ()
        missing = {key for key in wanted if key not in present}
        for key in present:
            if key in known or len(self._faults) >= MOST_TOLD:
                continue
            home = self._home(key)
            other = same_in_another_unit(str(key), present[key], known)
            if other and not _Validator(known[other[0]]).is_valid(other[1]):
                other = None  # rather a slip of the pen: 218 in `length_m`
            meant = other[0] if other else _alike(key, missing) or (None if home else _alike(key, known))
            if meant:
                # One slip of the pen is one fault, not also a key that is missing.
                missing.discard(meant)
                self._unsound.add((*section, meant))
            if other:
                remedy = f"write it in the unit that the key names: `{meant}: {other[1]:g}`"
            elif NO_SPACE.match(str(key)):
                remedy = PUT_A_SPACE
            elif isinstance(key, (int, float)):
                remedy = "if it belongs to the number before it, write a decimal point, not a comma"
            elif meant:
                remedy = f"did you mean `{meant}`?"
            else:
                remedy = home or f"the keys here are {_listed(known)}"
            self.fault(f"no key of {_section(section)}: {remedy}", *section, key)
        for key in sorted(missing):
            remedy = f"missing in {_section(section)}: write `{key}:`, {known[key]['description']}"
            self.fault(remedy, *section, key)

    def _home(self, key: Any) -> str | None:
        """Where a key belongs that stands in a wrong place, in words."""
        top = self._schema["properties"]
        if key in top:
            return "it is one of the file itself, so begin its line without spaces"
        homes = [f"`{name}`" for name, section in top.items() if key in section.get("properties", ())]
        return f"it belongs to {_listed(homes, 'or')}, so check the indent of its line" if homes else None


def read_text(path: Path) -> str:
    line = 1
    try:
        return bounded_text(path)
    except UnicodeDecodeError as error:
        line = error.object[: error.start].count(b"\n") + 1
        remedy = f"is not UTF-8 on line {line}: save it as UTF-8 text"
    except FileNotFoundError:
        remedy = "there is no such file: give the path of a robot file"
    except IsADirectoryError:
        remedy = "is a folder: give the path of a robot file in it"
    except OSError as error:
        remedy = f"cannot be read ({error.strerror}): give a file that you may read"
    raise RobotFileError([Fault(path, line, "", None, remedy)])


def _expected(schema: dict[str, Any]) -> str:
    """In words, what `schema` asks for."""
    if "enum" in schema:
        said = _listed(schema["enum"], "or")
    elif schema["type"] == "object":
        keys = schema.get("properties")
        said = f"a section with the keys {_listed(keys)}" if keys else "a section with names of your own"
    elif schema["type"] == "array":
        said = f"a list of {schema['minItems']} numbers"
    elif schema["type"] == "string":
        said = "text"
    else:
        said = "a whole number" if schema["type"] == "integer" else "a number"
        said += f" from {schema['minimum']} to {schema['maximum']}"
        said += ", not 0" if "not" in schema else ""
    return f"{said} ({schema['description']})" if "description" in schema else said


def _hint(error: ValidationError) -> str:
    """What makes the value right, if it is a likely slip of the pen."""
    value: Any = error.instance
    name = next((part for part in reversed(error.absolute_path) if isinstance(part, str)), "")
    unit = unit_of(name)
    if isinstance(value, str) and _DECIMAL_COMMA.fullmatch(value):
        return f", with a decimal point: {value.replace(',', '.')}"
    if isinstance(value, str) and unit and (number := number_from(value, unit)) is not None:
        return f", without a unit: {number:g}"
    if isinstance(value, str) and error.validator_value == "object" and NO_SPACE.match(value):
        return f": {PUT_A_SPACE}"
    if error.validator in ("minimum", "maximum") and unit:
        likely = (
            found for found in in_larger_and_smaller_units(value, unit) if _Validator(error.schema).is_valid(found)
        )
        return next((f": did you mean {found:g} {unit}?" for found in likely), "")
    return ", with decimal points, not commas" if error.validator == "maxItems" else ""


def _alike(key: Any, words: Iterable[str]) -> str | None:
    """The word that `key` is most likely to be misspelt from."""
    choices = difflib.get_close_matches(str(key).split(":")[0].lower(), sorted(words), n=1)
    return choices[0] if choices else None


def _dotted(key: Key) -> str:
    written = "".join(f"[{part}]" if isinstance(part, int) else f".{part}" for part in key)
    return written.lstrip(".")


def _section(key: Key) -> str:
    return f"`{_dotted(key)}`" if key else "the file"


def _listed(words: Any, last: str = "and") -> str:
    *most, end = [str(word) for word in words]
    return f"{', '.join(most)} {last} {end}" if most else end


def _kind_of(value: object) -> str:
    return "a list" if isinstance(value, list) else "a single value"


def _is_flat(value: Any) -> bool:
    return isinstance(value, list) and not any(isinstance(item, (dict, list)) for item in value)
