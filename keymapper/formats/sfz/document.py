"""An SFZ file as plain data: its headers in order, each with its opcodes in order."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class SfzHeader:
    """One header, such as ``region``, and the opcodes that follow it, as (name, value) texts."""

    name: str
    opcodes: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class SfzDocument:
    """A whole file: the headers in the order in which they stand."""

    headers: tuple[SfzHeader, ...]
