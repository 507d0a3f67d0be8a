"""TOML files, and strict reading of their tables into the dataclasses of the model."""

from __future__ import annotations

import difflib
import json
import math
import tomllib
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import Any, TypeVar

import msgspec

from keymapper.errors import InputError, UsageError
from keymapper.formats.small_file import read_small_file

_MOST_BYTES = 16 << 20

T = TypeVar("T")


def read_toml(path: Path) -> dict[str, Any]:
    """Return what a TOML file holds.

    Raises
    ------
    InputError
        There is no such file, or it is not TOML.
    """
    content = read_small_file(path, _MOST_BYTES, "a TOML file")
    try:
        return tomllib.loads(content.decode("utf-8-sig"))
    except (ValueError, RecursionError) as error:  # of TOML, of UTF-8, of a number without end
        raise InputError(f"{path}: is not valid TOML ({error}).") from error


def read_toml_table(path: Path, name: str) -> dict[str, Any]:
    """Return one table of a TOML file; empty where it has none of that name.

    Raises
    ------
    InputError
        There is no such file, or it is not TOML.
    UsageError
        What has that name is no table.
    """
    table = read_toml(path).get(name, {})
    if not isinstance(table, dict):
        raise UsageError(f"{path}: {name} must be a table; write [{name}].")
    return table


def toml_string(value: str) -> str:
    """Return a TOML basic string: JSON's, but for the one control character JSON leaves alone."""
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")


def nearest_name(word: str, valid: Iterable[str]) -> str | None:
    """Return the valid name most like the given word, or None when none is alike.

    Ratcliff-Obershelp similarity without regard to case; equal scores go to the name that sorts
    first, so that the answer does not depend on the order of `valid`.
    """
    names = {name.casefold(): name for name in sorted(valid, reverse=True)}
    close = difflib.get_close_matches(word.casefold(), sorted(names), n=1, cutoff=0.5)
    return names[close[0]] if close else None


def table_to(dataclass_type: type[T], table: Mapping[str, object], where: str) -> T:
    """Return the table as an instance of the dataclass, refusing whatever it does not know.

    dataclass_type : a dataclass; its field names are the valid keys, at every depth.
    table : as `tomllib` gives it.
    where : named in messages, for example ``recipe.toml [session]``.

    Raises UsageError in one line for an unknown key (naming the nearest valid one), a value of the
    wrong type, a missing key, a number that is not finite, or a ValueError of `__post_init__`.
    """
    for problem in _problems(msgspec.inspect.type_info(dataclass_type), table, ""):
        raise UsageError(f"{where}: {problem}")
    try:
        return msgspec.convert(table, dataclass_type)
    except msgspec.ValidationError as error:
        raise UsageError(f"{where}: {_plain(str(error))}") from None


def _problems(kind: msgspec.inspect.Type, value: object, path: str) -> Iterator[str]:
    """Yield what msgspec would let pass, and what it does not say how to mend.

    Unknown keys, numbers that are not finite; words that are none of those to choose from.
    """
    if isinstance(value, float) and not math.isfinite(value):
        yield f"{path} is {value}, which is not a finite number"
    elif isinstance(kind, msgspec.inspect.LiteralType):
        if value not in kind.values:
            valid = ", ".join(str(one) for one in kind.values)
            yield f"{path}: {value!a} is none of {valid}"
    elif isinstance(kind, msgspec.inspect.UnionType):
        kinds = [one for one in kind.types if _accepts(one, value)]
        if len(kinds) == 1:
            yield from _problems(kinds[0], value, path)
    elif isinstance(kind, msgspec.inspect.DataclassType) and isinstance(value, Mapping):
        fields = {field.encode_name: field.type for field in kind.fields}
        for key, inner in value.items():
            if key not in fields:
                yield _unknown_key(_joined(path, key), key, fields)
            else:
                yield from _problems(fields[key], inner, _joined(path, key))
    elif isinstance(kind, msgspec.inspect.DictType) and isinstance(value, Mapping):
        for key, inner in value.items():
            yield from _problems(kind.value_type, inner, _joined(path, key))
    elif isinstance(value, list):
        for index, inner in enumerate(value):
            yield from _problems(_item_kind(kind, index), inner, f"{path}[{index}]")


def _accepts(kind: msgspec.inspect.Type, value: object) -> bool:
    """Say whether a member of a union is the one that holds this table or list."""
    if isinstance(value, Mapping):
        return isinstance(kind, msgspec.inspect.DataclassType | msgspec.inspect.DictType)
    sequences = (msgspec.inspect.CollectionType, msgspec.inspect.TupleType)
    return isinstance(value, list) and isinstance(kind, sequences)


def _item_kind(kind: msgspec.inspect.Type, index: int) -> msgspec.inspect.Type:
    if isinstance(kind, msgspec.inspect.CollectionType):
        return kind.item_type
    if isinstance(kind, msgspec.inspect.TupleType) and index < len(kind.item_types):
        return kind.item_types[index]
    return msgspec.inspect.AnyType()


def _joined(path: str, key: object) -> str:
    name = str(key).encode("unicode_escape").decode("ascii")
    return f"{path}.{name}" if path else name


def _unknown_key(path: str, key: str, valid: Iterable[str]) -> str:
    names = sorted(valid)
    nearest = nearest_name(key, names)
    hint = f"did you mean '{nearest}'?" if nearest else f"valid keys: {', '.join(names)}"
    return f"unknown key '{path}'; {hint}"


def _plain(message: str) -> str:
    """Turn "Expected `int`, got `str` - at `$.keys[1]`" into "keys[1]: expected int, got str"."""
    what, _, place = message.partition(" - at `")
    what = what.replace("`", "'").replace("Object missing required field", "missing key")
    what = what[:1].lower() + what[1:]
    path = place.rstrip("`").removeprefix("$").removeprefix(".")
    return f"{path}: {what}" if path else what
