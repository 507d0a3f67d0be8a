"""The headers that hold for the whole instrument: ``<control>`` and ``<curve>``."""

from __future__ import annotations

from dataclasses import dataclass, field

from keymapper.formats.sfz.opcodes import CONTROLLER, OpcodeRule
from keymapper.formats.sfz.reading import SfzControl, SfzCurve
from keymapper.formats.sfz.region_builder import Report, read_value
from keymapper.formats.sfz.text import PlacedHeader, PlacedOpcode

_OFFSETS = {"note_offset": 1, "octave_offset": 12}


@dataclass(slots=True, kw_only=True)
class ControlReader:
    """Takes headers in order; `default_path` and `key_offset` are those that hold by now."""

    report: Report
    default_path: str = ""
    curves: list[SfzCurve] = field(default_factory=list)
    _controllers: dict[int, float] = field(default_factory=dict)
    _labels: dict[int, str] = field(default_factory=dict)
    _offsets: dict[str, int] = field(default_factory=dict)

    @property
    def key_offset(self) -> int:
        """Keys by which all key numbers that follow are moved."""
        return sum(factor * self._offsets.get(name, 0) for name, factor in _OFFSETS.items())

    def take(self, header: PlacedHeader) -> None:
        """Let a ``<control>`` or ``<curve>`` hold from now on; ignore the others."""
        if header.name == "curve":
            self._take_curve(header)
        elif header.name == "control":
            if self.default_path and all(op.name != "default_path" for op in header.opcodes):
                self.report(
                    PlacedOpcode(name="control", value="", file=header.file, line=header.line),
                    "default-path-reset",
                    "players differ on whether default_path outlives a second <control>",
                )
            for opcode in header.opcodes:
                self._take_control(opcode)

    def result(self) -> SfzControl:
        """Return all ``<control>`` headers taken together."""
        return SfzControl(
            controllers=tuple(sorted(self._controllers.items())),
            labels=tuple(sorted(self._labels.items())),
            key_offset=self.key_offset,
        )

    def _take_control(self, opcode: PlacedOpcode) -> None:
        match = CONTROLLER.fullmatch(opcode.name)
        word, number = (match[1], int(match[2])) if match else (opcode.name, 0)
        if opcode.name == "default_path":
            self.default_path = opcode.value
        elif opcode.name in _OFFSETS:
            rule = OpcodeRule(field="", kind="integer", low=-127, high=127)
            value = read_value(rule, opcode, self.report)
            if value is not None:
                self._offsets[opcode.name] = value
        elif match and word in ("set", "set_hd", "set_real"):
            full = 127.0 if word == "set" else 1.0
            value = read_value(OpcodeRule(field="", low=0, high=full), opcode, self.report)
            if value is not None:
                self._controllers[number] = value * 127.0 / full
        elif match and word == "label":
            self._labels[number] = opcode.value

    def _take_curve(self, header: PlacedHeader) -> None:
        index, points = None, {}
        for opcode in header.opcodes:
            if opcode.name == "curve_index":
                rule = OpcodeRule(field="", kind="integer", low=0, high=255)
                index = read_value(rule, opcode, self.report)
            elif opcode.name[:1] == "v" and opcode.name[1:].isdecimal():
                value = read_value(OpcodeRule(field="", low=-1, high=1), opcode, self.report)
                if value is not None and int(opcode.name[1:]) <= 127:
                    points[int(opcode.name[1:])] = value
        if index is not None:
            self.curves.append(SfzCurve(index=index, points=tuple(sorted(points.items()))))
