"""Read any SFZ file, also one written by hand with includes, defines and the wrong letter case."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from keymapper.errors import InputError
from keymapper.formats.sfz.control import ControlReader
from keymapper.formats.sfz.document import SfzDocument, SfzHeader
from keymapper.formats.sfz.opcodes import is_known
from keymapper.formats.sfz.paths import PackFolder
from keymapper.formats.sfz.reading import ProblemKind, SfzProblem, SfzReading
from keymapper.formats.sfz.region import SfzRegion
from keymapper.formats.sfz.region_builder import RegionBuilder
from keymapper.formats.sfz.text import PlacedHeader, PlacedOpcode, SourceText

_MAX_OPCODES = 5_000_000
_LEVELS = ("global", "master", "group")


def read_sfz(path: Path, *, pack_folder: Path | None = None) -> SfzReading:
    """Read the SFZ file at `path`, find its samples, and say everything that was odd.

    Nothing outside `pack_folder` (default: the folder of `path`) is looked at.

    Raises
    ------
    InputError
        If the file cannot be read, is not text, or grows beyond all measure.
    """
    if not path.is_file():
        raise InputError(f"{path}: no such file; give an .sfz file")
    base = path.resolve().parent
    root = base if pack_folder is None else pack_folder.resolve()
    source = SourceText(folder=PackFolder(base=base, root=root))
    source.read_file(path, path.name)
    return _resolve(source, path)


def parse_sfz(text: str, *, name: str = "text") -> SfzReading:
    """Read SFZ `text` without touching any file: includes are missing, samples not looked for.

    Raises
    ------
    InputError
        If variables make the text grow beyond all measure.
    """
    source = SourceText(folder=None)
    source.read_text(text, name)
    return _resolve(source, None)


def _resolve(source: SourceText, path: Path | None) -> SfzReading:
    resolver = _Resolver(source)
    regions = resolver.regions()
    unknown = {
        opcode.name: None
        for header in source.headers
        for opcode in header.opcodes
        if not is_known(opcode.name)
    }
    return SfzReading(
        path=path,
        document=SfzDocument(
            headers=tuple(
                SfzHeader(
                    name=header.name,
                    opcodes=tuple((opcode.name, opcode.value) for opcode in header.opcodes),
                )
                for header in source.headers
            )
        ),
        control=resolver.control.result(),
        curves=tuple(resolver.control.curves),
        regions=regions,
        included=tuple(source.included),
        unknown_opcodes=tuple(unknown),
        problems=tuple(source.problems),
    )


class _Resolver:
    """Walks the headers, handing opcodes down from global to master to group to region."""

    def __init__(self, source: SourceText) -> None:
        self._source = source
        self._opcodes = 0
        self._reported: set[tuple[str, str, int, str]] = set()
        self.control = ControlReader(report=self.report)

    def report(
        self, opcode: PlacedOpcode, kind: ProblemKind, message: str, actual: str | None = None
    ) -> None:
        """Note a problem once for each place, however many regions inherit it."""
        place = (kind, opcode.file, opcode.line, opcode.value)
        if place not in self._reported:
            self._reported.add(place)
            self._source.keep(
                SfzProblem(
                    kind=kind,
                    message=message,
                    file=opcode.file,
                    line=opcode.line,
                    subject=opcode.value if kind in _ABOUT_VALUES else opcode.name,
                    actual=actual,
                )
            )

    def regions(self) -> tuple[SfzRegion, ...]:
        """Return every region that names a sample, in order."""
        inherited: dict[str, list[PlacedOpcode]] = {level: [] for level in _LEVELS}
        regions = []
        for header in self._source.headers:
            if header.name in _LEVELS:
                inherited[header.name] = header.opcodes
                for lower in _LEVELS[_LEVELS.index(header.name) + 1 :]:
                    inherited[lower] = []
            elif header.name == "region":
                opcodes = [opcode for level in _LEVELS for opcode in inherited[level]]
                opcodes += header.opcodes
                self._opcodes += len(opcodes)
                if self._opcodes > _MAX_OPCODES:
                    raise InputError(
                        f"{header.file} line {header.line}: more than {_MAX_OPCODES} opcodes "
                        "with all that is inherited; split the file"
                    )
                region = self._region(header, opcodes)
                if region is not None:
                    regions.append(region)
            else:
                self.control.take(header)
        return tuple(regions)

    def _region(self, header: PlacedHeader, opcodes: list[PlacedOpcode]) -> SfzRegion | None:
        builder = RegionBuilder(key_offset=self.control.key_offset, report=self.report)
        sample: PlacedOpcode | None = None
        for opcode in opcodes:
            if opcode.name == "sample":
                sample = opcode
            else:
                builder.take(opcode)
        if sample is None or not sample.value:
            place = PlacedOpcode(name="region", value="", file=header.file, line=header.line)
            self.report(place, "region-without-sample", "a region names no sample; left out")
            return None
        name, found = self._sample(sample)
        return replace(
            builder.build(name),
            sample_path=found,
            line=header.line,
            included="" if header.file == self._source.main_file else header.file,
        )

    def _sample(self, opcode: PlacedOpcode) -> tuple[str, Path | None]:
        if opcode.value.startswith("*"):
            return opcode.value, None
        written = self.control.default_path + opcode.value
        name = written.replace("\\", "/")
        if name != written:
            self.report(opcode, "backslash", f"{written}: some players need / instead of \\")
        folder = self._source.folder
        if folder is None:
            return name, None
        found = folder.find(name)
        if found.outside:
            self.report(opcode, "outside-pack", f"{name} leaves the pack's folder; not opened")
        elif found.path is None:
            self.report(opcode, "sample-missing", f"{name}: no such file")
        elif found.spelling is not None:
            message = f"{name} is called {found.spelling}; some systems will not find it"
            self.report(opcode, "wrong-case", message, found.spelling)
        return name, found.path


_ABOUT_VALUES = frozenset(("backslash", "outside-pack", "sample-missing", "wrong-case"))
