"""The `iXML` chunk: a few facts out of XML that anybody may have written.

The parser loads no DTD, resolves no entity and opens no file or network address; a document that
declares a DTD at all is refused, because nothing honest needs one here.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

_FIELDS = ("PROJECT", "SCENE", "TAKE", "TAPE", "NOTE", "USER")
_LONGEST_TEXT = 2_000


@dataclass(frozen=True, slots=True, kw_only=True)
class IxmlFacts:
    """What an iXML document says; empty where it says nothing."""

    fields: tuple[tuple[str, str], ...] = ()
    """(element name, text) of the known ones, in their usual order."""
    problem: str | None = None
    """Why it could not be read."""


def read_ixml(body: bytes) -> IxmlFacts:
    """Return the facts in the body of an `iXML` chunk; one that is not XML gives a problem."""
    from lxml import etree

    text = body.rstrip(b"\0 \r\n\t")
    if not text:
        return IxmlFacts()
    parser = etree.XMLParser(
        resolve_entities=False, no_network=True, load_dtd=False, huge_tree=False, recover=False
    )
    try:
        root = etree.fromstring(text, parser)
    except (etree.XMLSyntaxError, ValueError) as error:
        reason = str(error).splitlines()[0] if str(error) else "not XML"
        return IxmlFacts(problem=f"its iXML chunk cannot be read ({reason})")
    if root.getroottree().docinfo.internalDTD is not None:
        return IxmlFacts(problem="its iXML chunk declares a document type; not read")
    return IxmlFacts(fields=tuple(_fields(root)))


def _fields(root: Any) -> list[tuple[str, str]]:
    found = []
    for name in _FIELDS:
        element = root.find(name)
        text = (element.text or "").strip() if element is not None else ""
        if text:
            found.append((name, text[:_LONGEST_TEXT]))
    return found
