"""Write an SFZ document in the form that independent players read alike.

One opcode a line, LF, no byte order mark, no comments, no directives. What a player could
misread (see :func:`write_sfz`) is refused rather than written.
"""

from __future__ import annotations

import re

from keymapper.errors import OutputError
from keymapper.formats.sfz.document import SfzDocument, SfzHeader

_NAME = re.compile(r"[a-z][a-z0-9_]*")
# Taken by one player or another as a variable, an opcode, a header, a comment or a directive.
_UNSAFE = re.compile(r"[$=<>]|//|/\*|#define|#include")


def write_sfz(document: SfzDocument) -> str:
    """Return the text of `document`: headers and opcodes one a line, ending in a line feed.

    ``parse_sfz(write_sfz(document)).document == document`` for everything that is not refused.

    Raises
    ------
    OutputError
        If a name is not lower-case letters, digits and ``_``, or a value is empty, begins or
        ends with a blank, or holds a control character, ``$ = < >``, ``//``, ``/*``,
        ``#define`` or ``#include``.
    """
    return "\n".join(_header_text(header) for header in document.headers)


def _header_text(header: SfzHeader) -> str:
    if not _NAME.fullmatch(header.name):
        raise OutputError(f"cannot write {header.name!r} as an SFZ header; use lower-case letters")
    lines = [f"<{header.name}>"]
    for name, value in header.opcodes:
        if not _NAME.fullmatch(name):
            raise OutputError(f"cannot write {name!r} as an SFZ opcode; use lower-case letters")
        if not value or value != value.strip() or not value.isprintable() or _UNSAFE.search(value):
            raise OutputError(
                f"SFZ opcode {name} cannot carry the value {value!r}; rename it without "
                "control characters, outer blanks, $ = < >, // or /*"
            )
        lines.append(f"{name}={value}")
    return "\n".join(lines) + "\n"
