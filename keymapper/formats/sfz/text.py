"""From the text of an SFZ file to its headers: comments, ``#define``, ``#include``, opcodes.

A value runs to the end of the line, to the next ``name=``, to ``<`` or to a directive, so that
sample paths may hold blanks. An ``#include`` is relative to the folder of the main file.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

from keymapper.errors import InputError
from keymapper.formats.sfz.paths import PackFolder
from keymapper.formats.sfz.reading import ProblemKind, SfzProblem

MAX_INCLUDE_DEPTH = 16
MAX_INCLUDES = 512
MAX_CHARACTERS = 16_000_000
_MAX_DEFINED_CHARACTERS = 4096
_MAX_NAME_CHARACTERS = 64
_MAX_VARIABLES = 2000
_MAX_PROBLEMS = 1000

HEADERS = frozenset(
    ("control", "global", "master", "group", "region", "curve", "effect", "sample", "midi")
)

_COMMENT = re.compile(r"//[^\n]*|/\*.*?(?:\*/|\Z)|^[ \t]*/(?![/*])[^\n]*", re.DOTALL | re.MULTILINE)
_BLANKS = re.compile(r"[ \t]+")
_HEADER = re.compile(r"<([^<>\n]*)>")
_DEFINE = re.compile(r"#define\b(?:[ \t]+\$(\w+)(?:[ \t]+(\S+))?)?")
_INCLUDE = re.compile(r'#include[ \t]*"([^"\n]*)"')
_OPCODE = re.compile(r"([\w$#]+)=(.*?)(?=[ \t](?:[\w$#]+=|#define\b|#include\b)|<|$)")
_STRAY = re.compile(r"[^ \t<]+|<")


@dataclass(frozen=True, slots=True, kw_only=True)
class PlacedOpcode:
    """An opcode after variables were put in, with where it stands."""

    name: str
    value: str
    file: str
    line: int


@dataclass(slots=True, kw_only=True)
class PlacedHeader:
    """A header and the opcodes that follow it."""

    name: str
    file: str
    line: int
    opcodes: list[PlacedOpcode] = field(default_factory=list)


@dataclass(slots=True, kw_only=True)
class SourceText:
    """Reads the main text and all it includes into `headers`, noting `problems` on the way."""

    folder: PackFolder | None
    headers: list[PlacedHeader] = field(default_factory=list)
    problems: list[SfzProblem] = field(default_factory=list)
    included: list[Path] = field(default_factory=list)
    _variables: dict[str, str] = field(default_factory=dict)
    _open_files: list[Path] = field(default_factory=list)
    _characters: int = 0
    main_file: str = ""
    """Name of the text that was read first."""
    _file: str = ""
    _line: int = 0

    def report(self, kind: ProblemKind, subject: str, message: str) -> None:
        """Note a problem at the current place."""
        self.keep(
            SfzProblem(
                kind=kind, message=message, file=self._file, line=self._line, subject=subject
            )
        )

    def keep(self, problem: SfzProblem) -> None:
        """Keep `problem`, unless there are a thousand already."""
        if len(self.problems) < _MAX_PROBLEMS:
            self.problems.append(problem)

    def read_text(self, text: str, file: str) -> None:
        """Read `text`, which stands in `file` (a name for messages)."""
        self.main_file = self.main_file or file
        outer, self._file, self._line = (self._file, self._line), file, 1
        if text.startswith("\ufeff"):
            self.report("byte-order-mark", file, "begins with a byte order mark")
            text = text[1:]
        self._spend(len(text))
        text = text.replace("\r\n", "\n").replace("\r", "\n")
        for number, line in enumerate(self._without_comments(text).split("\n"), start=1):
            self._line = number
            self._read_line(line)
        self._file, self._line = outer

    def read_file(self, path: Path, name: str) -> None:
        """Read the file at `path`, called `name` in messages."""
        self._open_files.append(path.resolve())
        self.read_text(self._decoded(path, name), name)
        self._open_files.pop()

    def _decoded(self, path: Path, name: str) -> str:
        try:
            if path.stat().st_size > MAX_CHARACTERS:
                raise InputError(f"{name} is too large for an SFZ file; give a text file")
            data = path.read_bytes()
        except OSError as error:
            raise InputError(f"cannot read {name}: {error.strerror}") from error
        if b"\0" in data:
            raise InputError(f"{name} is not text; give an SFZ file")
        try:
            return data.decode("utf-8")
        except UnicodeDecodeError:
            self.report("encoding", name, f"{name} is not UTF-8; read as Latin-1")
            return data.decode("latin-1")

    def _spend(self, characters: int) -> None:
        self._characters += characters
        if self._characters > MAX_CHARACTERS:
            raise InputError(
                f"{self._file} line {self._line}: includes and variables grow beyond "
                f"{MAX_CHARACTERS} characters; simplify the file"
            )

    def _without_comments(self, text: str) -> str:
        def blank(match: re.Match[str]) -> str:
            comment = match.group()
            if comment.startswith("/*") and not comment.endswith("*/"):
                self._line = text.count("\n", 0, match.start()) + 1
                self.report("unclosed-comment", "/*", "a comment is never closed")
            return " " + "\n" * comment.count("\n")

        return _COMMENT.sub(blank, text)

    def _read_line(self, line: str) -> None:
        steps: tuple[tuple[re.Pattern[str], Callable[[re.Match[str]], None]], ...] = (
            (_BLANKS, lambda _: None),
            (_HEADER, self._on_header),
            (_DEFINE, self._on_define),
            (_INCLUDE, self._on_include),
            (_OPCODE, self._on_opcode),
            (_STRAY, self._on_stray),
        )
        at = 0
        while at < len(line):
            for pattern, act in steps:
                match = pattern.match(line, at)
                if match:
                    at = match.end()
                    act(match)
                    break

    def _on_header(self, match: re.Match[str]) -> None:
        written = match[1].strip()
        name = written.lower()
        if name not in HEADERS:
            self.report("unknown-header", written, f"<{written}> is no SFZ header")
        elif name != written:
            self.report("header-case", written, f"<{written}> should be <{name}>")
        self.headers.append(PlacedHeader(name=name, file=self._file, line=self._line))

    def _on_define(self, match: re.Match[str]) -> None:
        name, value = match[1], match[2] or ""
        if name is None:
            self.report("bad-define", match[0], "#define needs $NAME and a value")
            return
        if len(name) > _MAX_NAME_CHARACTERS or len(self._variables) >= _MAX_VARIABLES:
            self.report("bad-define", name[:80], "too many or too long #define names; ignored")
            return
        value = self._expanded(value)
        if len(value) > _MAX_DEFINED_CHARACTERS:
            self.report("bad-define", name, f"${name} grows too long; cut")
            value = value[:_MAX_DEFINED_CHARACTERS]
        for other in self._variables:
            if other != name and (other.startswith(name) or name.startswith(other)):
                self.report(
                    "define-clash", name, f"${name} and ${other} begin alike; the shorter one wins"
                )
        self._variables[name] = value

    def _on_include(self, match: re.Match[str]) -> None:
        written = self._expanded(match[1])
        found = self.folder.find(written.replace("\\", "/")) if self.folder else None
        if found is not None and found.outside:
            self.report("outside-pack", written, f"#include {written} leaves the pack's folder")
        elif found is None or found.path is None:
            self.report("include-missing", written, f"#include {written}: no such file")
        elif found.path.resolve() in self._open_files:
            self.report("include-loop", written, f"#include {written} includes itself")
        elif len(self._open_files) > MAX_INCLUDE_DEPTH or len(self.included) >= MAX_INCLUDES:
            self.report("include-limit", written, f"#include {written}: too many or too deep")
        else:
            if found.spelling is not None:
                self.report("wrong-case", written, f"{written} is called {found.spelling}")
            self.included.append(found.path)
            self.read_file(found.path, written)

    def _on_opcode(self, match: re.Match[str]) -> None:
        opcode = PlacedOpcode(
            name=self._expanded(match[1]).lower(),
            value=self._expanded(match[2].strip(" \t")),
            file=self._file,
            line=self._line,
        )
        if not self.headers:
            self.report("opcode-before-header", opcode.name, f"{opcode.name} before any header")
            return
        self.headers[-1].opcodes.append(opcode)

    def _on_stray(self, match: re.Match[str]) -> None:
        self.report("stray-text", match[0][:80], f"{match[0][:80]!r} means nothing here")

    def _expanded(self, text: str) -> str:
        """Return `text` with variables put in: of the known names that fit, the shortest."""
        if "$" not in text:
            return text
        expanded = "".join(self._pieces(text))
        self._spend(len(expanded))
        return expanded

    def _pieces(self, text: str) -> Iterator[str]:
        first, *rest = text.split("$")
        yield first
        for piece in rest:
            lengths = range(1, min(len(piece), _MAX_NAME_CHARACTERS) + 1)
            name = next((piece[:n] for n in lengths if piece[:n] in self._variables), None)
            if name is not None:
                yield self._variables[name] + piece[len(name) :]
            else:
                self.report("undefined-variable", piece[:80], f"${piece[:80]} is not defined")
                yield "$" + piece
