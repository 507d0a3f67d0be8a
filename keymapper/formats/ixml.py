"""The `iXML` chunk: a few facts out of XML that anybody may have written.

The parser loads no DTD, resolves no entity and opens no file or network address; a document that
declares a DTD at all is refused, because nothing honest needs one here.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from keymapper.model.sample_facts import LONGEST_TEXT

_FIELDS = ("PROJECT", "SCENE", "TAKE", "TAPE", "NOTE", "USER")


@dataclass(frozen=True, slots=True, kw_only=True)
class IxmlFacts:
    """What an iXML document says; empty where it says nothing."""

    fields: tuple[tuple[str, str], ...] = ()
    """(element name, text) of the known ones, in their usual order."""
    problem: str | None = None
    """Why it could not be read."""


def read_ixml(body: bytes) -> IxmlFacts:
    """Return the facts in the body of an `iXML` chunk; one that is not XML gives a problem."""
    root, problem = _parsed(body)
    return IxmlFacts(problem=problem, fields=() if root is None else tuple(_fields(root)))


def ixml_body(fields: Mapping[str, str], channels: int, before: bytes = b"") -> bytes:
    """Return the body of an `iXML` chunk: some elements below the root, and a list of tracks.

    before : the body of a chunk that was there: elements we do not set are kept. One that cannot
    be read, or declares a document type, is written anew.
    """
    from lxml import etree

    root, _ = _parsed(before)
    if root is None or root.tag != "BWFXML":
        root = etree.Element("BWFXML")
    for name, text in {"IXML_VERSION": "2.10", **fields}.items():
        element = root.find(name)
        if element is None:
            element = etree.SubElement(root, name)
        for child in list(element):
            element.remove(child)
        element.text = _for_xml(text)
    if root.find("TRACK_LIST") is None:
        _add_tracks(root, channels)
    written: bytes = etree.tostring(root, encoding="UTF-8", xml_declaration=True)
    return written


def _add_tracks(root: Any, channels: int) -> None:
    from lxml import etree

    tracks = etree.SubElement(root, "TRACK_LIST")
    etree.SubElement(tracks, "TRACK_COUNT").text = str(channels)
    for index in range(1, channels + 1):
        track = etree.SubElement(tracks, "TRACK")
        etree.SubElement(track, "CHANNEL_INDEX").text = str(index)
        side = "Mono" if channels == 1 else "Left" if index == 1 else "Right"
        etree.SubElement(track, "NAME").text = side


def _for_xml(text: str) -> str:
    """Return a text without the characters that XML cannot hold."""
    return "".join(letter for letter in text if _is_xml(letter))


def _is_xml(letter: str) -> bool:
    code = ord(letter)
    if code < 32:
        return letter in "\t\n\r"
    return code not in (0xFFFE, 0xFFFF) and not 0xD800 <= code <= 0xDFFF


def _parsed(body: bytes) -> tuple[Any, str | None]:
    """Return the root of a document, or None and why there is none."""
    from lxml import etree

    text = body.rstrip(b"\0 \r\n\t")
    if not text:
        return None, None
    parser = etree.XMLParser(
        resolve_entities=False, no_network=True, load_dtd=False, huge_tree=False, recover=False
    )
    try:
        root = etree.fromstring(text, parser)
    except (etree.XMLSyntaxError, ValueError) as error:
        reason = str(error).splitlines()[0] if str(error) else "not XML"
        return None, f"its iXML chunk cannot be read ({reason})"
    if root.getroottree().docinfo.internalDTD is not None:
        return None, "its iXML chunk declares a document type; not read"
    return root, None


def _fields(root: Any) -> list[tuple[str, str]]:
    found = []
    for name in _FIELDS:
        element = root.find(name)
        text = (element.text or "").strip() if element is not None else ""
        if text:
            found.append((name, text[:LONGEST_TEXT]))
    return found
