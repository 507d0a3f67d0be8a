"""Hold what an archive should be against what it is, without keeping either."""

from __future__ import annotations

import os
from typing import IO

_MOST_DIFFERENCES = 4


class Differs(Exception):  # noqa: N818 - a finding, not an error of ours
    """The archive is not what writing its contents gives."""


class ComparingFile:
    """A file that holds what is written to it against another one, and keeps nothing.

    A header is written twice, first without its checksum: what differs counts until something
    that fits is written in the same place.
    """

    def __init__(self, actual: IO[bytes]) -> None:
        self._actual = actual
        self._place = self._end = 0
        self._wrong: dict[int, int] = {}

    def write(self, content: bytes, /) -> int:
        """Compare."""
        view = bytes(content)
        self._actual.seek(self._place)
        if self._actual.read(len(view)) == view:
            self._wrong.pop(self._place, None)
        else:
            self._wrong[self._place] = len(view)
            if len(self._wrong) > _MOST_DIFFERENCES:
                self._refuse()
        self._place += len(view)
        self._end = max(self._end, self._place)
        return len(view)

    def tell(self) -> int:
        """Return the place in the file."""
        return self._place

    def seek(self, place: int, whence: int = os.SEEK_SET, /) -> int:
        """Go to a place."""
        self._place = place + (0, self._place, self._end)[whence]
        return self._place

    def flush(self) -> None:
        """Do nothing."""

    def close(self) -> None:
        """Do nothing: the other file is its owner's."""

    def check_end(self, size: int) -> None:
        """Raise where anything differed, or more follows."""
        if self._wrong:
            self._refuse()
        if size != self._end:
            raise Differs(f"goes on after its end, at byte {self._end}")

    def _refuse(self) -> None:
        raise Differs(f"is not as it was written, at or after byte {min(self._wrong)}")
