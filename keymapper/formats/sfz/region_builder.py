"""Turn the opcodes that hold for one region into a typed :class:`SfzRegion`."""

from __future__ import annotations

import re
from collections.abc import Callable, Hashable
from dataclasses import dataclass, field
from typing import Any, TypeVar

from keymapper.formats.sfz.opcodes import ALIASES, CONTROLLER, MODULATED, RULES, OpcodeRule
from keymapper.formats.sfz.reading import ProblemKind
from keymapper.formats.sfz.region import (
    SfzControllerRange,
    SfzCrossfade,
    SfzEnvelope,
    SfzFilter,
    SfzModulation,
    SfzRegion,
)
from keymapper.formats.sfz.text import PlacedOpcode
from keymapper.formats.sfz.values import leading_key, leading_number

Report = Callable[[PlacedOpcode, ProblemKind, str], None]

_VELOCITY_CURVE = re.compile(r"amp_velcurve_(\d{1,3})")
_LEVELS = ("region", "group", "master", "global")
_VOLUMES = frozenset(f"{level}_volume" for level in _LEVELS[1:])
_TUNES = frozenset(f"{level}_tune" for level in _LEVELS[1:])
_AMPLITUDES = frozenset(f"{level}_amplitude" for level in _LEVELS[1:])
_CONTROLLER_FADES = {
    "xfin_lo": "in_low",
    "xfin_hi": "in_high",
    "xfout_lo": "out_low",
    "xfout_hi": "out_high",
}
_CONTROLLER_LIMITS = {"lo": "low", "hi": "high"}
_LAST_CONTROLLER = 511
_SHARE = OpcodeRule(field="", low=0, high=1)
_CONTROLLER = OpcodeRule(field="", low=0, high=127)
_CURVE_INDEX = OpcodeRule(field="", kind="integer", low=0, high=255)
_ANY_NUMBER = OpcodeRule(field="")

Key = TypeVar("Key", bound=Hashable)


def canonical_name(name: str) -> str:
    """Return the usual spelling of an opcode: ``loopmode`` is ``loop_mode``."""
    return ALIASES.get(name, name)


def read_value(rule: OpcodeRule, opcode: PlacedOpcode, report: Report) -> Any:
    """Return the value of `opcode` as `rule` wants it, None (and a report) if it cannot be."""
    if rule.kind == "choice":
        word = opcode.value.lower()
        if word in rule.choices:
            return word
        report(opcode, "bad-value", f"{opcode.name}={opcode.value}: no such choice; ignored")
        return None
    number, whole = (leading_key if rule.kind == "key" else leading_number)(opcode.value)
    if number is None:
        report(opcode, "bad-value", f"{opcode.name}={opcode.value}: not a number; ignored")
        return None
    if not whole:
        report(opcode, "bad-value", f"{opcode.name}={opcode.value}: only {number:g} is used")
    inside = min(max(number, rule.low), rule.high)
    if inside != number:
        report(
            opcode,
            "value-out-of-range",
            f"{opcode.name}={opcode.value} lies outside {rule.low:g} to {rule.high:g}",
        )
    return inside if rule.kind == "number" else int(inside)


@dataclass(slots=True, kw_only=True)
class RegionBuilder:
    """Takes opcodes in the order in which they hold, the later overriding, then builds."""

    key_offset: int
    report: Report
    _parts: dict[str, dict[str, Any]] = field(default_factory=dict)
    _volumes_db: dict[str, float] = field(default_factory=dict)
    _tunes_cents: dict[str, float] = field(default_factory=dict)
    _amplitudes: dict[str, float] = field(default_factory=dict)
    _velocity_curve: dict[int, float] = field(default_factory=dict)
    _ranges: dict[int, dict[str, float]] = field(default_factory=dict)
    _fades: dict[int, dict[str, float]] = field(default_factory=dict)
    _fade_curve: str = "power"
    _amounts: dict[tuple[str, int], float] = field(default_factory=dict)
    _curves: dict[tuple[str, int], int] = field(default_factory=dict)
    _others: dict[str, str] = field(default_factory=dict)
    _last_filter_type: PlacedOpcode | None = None

    def take(self, opcode: PlacedOpcode) -> None:
        """Let `opcode` hold from now on."""
        name = canonical_name(opcode.name)
        if name == "fil_type":
            self._last_filter_type = opcode
        if name == "key":
            self._take_key(opcode)
        elif name == "pitch_keycenter" and opcode.value == "sample":
            self._part("region")["keycenter_from_sample"] = True
        elif name in RULES:
            self._take_rule(RULES[name], opcode)
        elif name in _VOLUMES:
            self._keep(RULES["volume"], opcode, self._volumes_db, name)
        elif name in _TUNES:
            self._keep(RULES["tune"], opcode, self._tunes_cents, name)
        elif name in _AMPLITUDES:
            self._keep(RULES["amplitude"], opcode, self._amplitudes, name)
        elif name == "xf_cccurve" and opcode.value in ("power", "gain"):
            self._fade_curve = opcode.value
        elif not (self._take_velocity_point(name, opcode) or self._take_controller(opcode)):
            self._others[opcode.name] = opcode.value

    def build(self, sample: str) -> SfzRegion:
        """Return the region; its `sample_path` and `line` are for the caller to fill in."""
        return SfzRegion(
            sample=sample,
            **self._own_fields(),
            envelope=SfzEnvelope(**self._part("envelope")),
            filter=self._filter(),
            velocity_crossfade=SfzCrossfade(**self._part("velocity_crossfade")),
            key_crossfade=SfzCrossfade(**self._part("key_crossfade")),
            controller_crossfades=tuple(
                SfzCrossfade(controller=controller, curve=self._fade_curve, **fade)  # type: ignore[arg-type]
                for controller, fade in sorted(self._fades.items())
                if fade
            ),
            amp_velcurve=tuple(sorted(self._velocity_curve.items())),
            controller_ranges=tuple(
                SfzControllerRange(controller=controller, **limits)
                for controller, limits in sorted(self._ranges.items())
                if limits
            ),
            modulations=tuple(
                SfzModulation(
                    target=target,
                    controller=controller,
                    amount=amount,
                    curve=self._curves.get((target, controller), 0),
                )
                for (target, controller), amount in sorted(self._amounts.items())
            ),
            other_opcodes=tuple(self._others.items()),
        )

    def _own_fields(self) -> dict[str, Any]:
        """Return the fields that belong to no part of a region, with what the levels above add."""
        region = {**self._part("region"), "key_offset": self.key_offset}
        if self._volumes_db:
            region["level_volume_db"] = sum(self._volumes_db.values())
            region["volume_db"] = region.get("volume_db", 0.0) + region["level_volume_db"]
        if self._tunes_cents:
            region["level_tune_cents"] = sum(self._tunes_cents.values())
            region["tune_cents"] = region.get("tune_cents", 0.0) + region["level_tune_cents"]
        for percent in self._amplitudes.values():
            region["amplitude_percent"] = region.get("amplitude_percent", 100.0) * percent / 100
        if region.get("loop_end_frame") == 0:
            del region["loop_end_frame"]
        return region

    def _part(self, name: str) -> dict[str, Any]:
        return self._parts.setdefault(name, {})

    def _filter(self) -> SfzFilter | None:
        part = self._part("filter")
        if "cutoff_hz" in part:
            return SfzFilter(**part)
        if self._last_filter_type is not None:
            self.report(
                self._last_filter_type,
                "filter-without-cutoff",
                "fil_type without cutoff: some players fall silent; add cutoff",
            )
        return None

    def _take_rule(self, rule: OpcodeRule, opcode: PlacedOpcode) -> None:
        value = read_value(rule, opcode, self.report)
        if value is None:
            return
        if rule.field == "pitch_keycenter":
            self._part("region")["keycenter_from_sample"] = False
        if rule.kind == "key" and value >= 0:
            value += self.key_offset
        elif rule.field in ("loop_end_frame", "end_frame"):
            value += 1  # the opcodes name the last frame played
        elif rule.field == "reverse":
            value = value == "reverse"
        self._part(rule.part)[rule.field] = value

    def _take_key(self, opcode: PlacedOpcode) -> None:
        value = read_value(RULES["lokey"], opcode, self.report)
        if value is not None:
            shifted = value + self.key_offset if value >= 0 else value
            self._part("region").update(lokey=shifted, hikey=shifted, pitch_keycenter=shifted)

    def _keep(self, rule: OpcodeRule, opcode: PlacedOpcode, into: dict[Key, Any], key: Key) -> None:
        value = read_value(rule, opcode, self.report)
        if value is not None:
            into[key] = value

    def _take_velocity_point(self, name: str, opcode: PlacedOpcode) -> bool:
        match = _VELOCITY_CURVE.fullmatch(name)
        if match is None or int(match[1]) > 127:
            return False
        self._keep(_SHARE, opcode, self._velocity_curve, int(match[1]))
        return True

    def _take_controller(self, opcode: PlacedOpcode) -> bool:
        match = CONTROLLER.fullmatch(opcode.name)
        if match is None or int(match[2]) > _LAST_CONTROLLER:
            return False
        target, controller = canonical_name(match[1]), int(match[2])
        curved = canonical_name(target.removesuffix("_curve"))
        if target in _CONTROLLER_LIMITS:
            limits = self._ranges.setdefault(controller, {})
            self._keep(_CONTROLLER, opcode, limits, _CONTROLLER_LIMITS[target])
        elif target in _CONTROLLER_FADES:
            fades = self._fades.setdefault(controller, {})
            self._keep(_CONTROLLER, opcode, fades, _CONTROLLER_FADES[target])
        elif target in MODULATED:
            self._keep(_ANY_NUMBER, opcode, self._amounts, (target, controller))
        elif curved in MODULATED and curved != target:
            self._keep(_CURVE_INDEX, opcode, self._curves, (curved, controller))
        else:
            return False
        return True
