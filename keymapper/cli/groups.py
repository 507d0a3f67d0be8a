"""Options that belong together, as one dataclass in the signature of a command."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import fields, is_dataclass
from functools import wraps
from inspect import Parameter, Signature, signature
from typing import Any, get_type_hints


def with_groups(command: Callable[..., None]) -> Callable[..., None]:
    """Return a command that takes the fields of its dataclass parameters as options of its own.

    Typer reads the options of a command from its signature: there, each such parameter is
    replaced by the fields of its dataclass, in place and in order. Every field has a default.
    """
    groups: dict[str, type] = {}
    options: list[Parameter] = []
    hints = get_type_hints(command, include_extras=True)
    for name, parameter in signature(command).parameters.items():
        hint = hints[name]
        if isinstance(hint, type) and is_dataclass(hint):
            groups[name] = hint
            options += _options(hint)
        else:
            options.append(parameter.replace(annotation=hint, kind=Parameter.KEYWORD_ONLY))

    flat = Signature(options)

    @wraps(command)
    def called(**given: Any) -> None:
        bound = flat.bind(**given)
        bound.apply_defaults()
        values = bound.arguments
        for name, group in groups.items():
            values[name] = group(**{one.name: values.pop(one.name) for one in _options(group)})
        command(**values)

    called.__signature__ = flat  # type: ignore[attr-defined]
    called.__annotations__ = {one.name: one.annotation for one in options}
    return called


def _options(group: Any) -> list[Parameter]:
    hints = get_type_hints(group, include_extras=True)
    return [
        Parameter(
            field.name,
            Parameter.KEYWORD_ONLY,
            default=field.default,
            annotation=hints[field.name],
        )
        for field in fields(group)
    ]
