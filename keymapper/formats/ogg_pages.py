"""Ogg pages: give a stream a fixed serial number, so that the same sound is the same bytes.

Encoders draw the number at random (RFC 3533); every page carries it and a checksum over itself.
"""

from __future__ import annotations

import struct

from keymapper.errors import OutputError

_HEADER_BYTES = 27
_POLYNOMIAL = 0x04C11DB7


def _table() -> tuple[int, ...]:
    entries = []
    for index in range(256):
        value = index << 24
        for _ in range(8):
            value = (value << 1) ^ (_POLYNOMIAL if value & 0x80000000 else 0)
        entries.append(value & 0xFFFFFFFF)
    return tuple(entries)


_TABLE = _table()


def with_serial(content: bytes, serial: int) -> bytes:
    """Return an Ogg file of one stream whose pages carry `serial`.

    Raises
    ------
    OutputError
        The bytes are no Ogg file.
    """
    pages = []
    place = 0
    while place < len(content):
        header = content[place : place + _HEADER_BYTES]
        if len(header) < _HEADER_BYTES or header[:4] != b"OggS":
            raise OutputError("the encoder gave no Ogg file; install another libsndfile.")
        segments = content[place + _HEADER_BYTES : place + _HEADER_BYTES + header[26]]
        size = _HEADER_BYTES + len(segments) + sum(segments)
        page = bytearray(content[place : place + size])
        page[14:18] = struct.pack("<I", serial)
        page[22:26] = bytes(4)
        page[22:26] = struct.pack("<I", page_checksum(page))
        pages.append(bytes(page))
        place += size
    return b"".join(pages)


def page_checksum(page: bytes | bytearray) -> int:
    """Return the checksum of a page whose own checksum is 0."""
    value = 0
    for byte in page:
        value = ((value << 8) & 0xFFFFFFFF) ^ _TABLE[(value >> 24) ^ byte]
    return value
