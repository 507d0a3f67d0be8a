"""Find the files an SFZ names, without ever leaving the pack's folder."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

from keymapper.formats.folded_names import folded


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """Where a name led: the file (None if missing or outside) and its true spelling."""

    path: Path | None
    outside: bool = False
    spelling: str | None = None


@dataclass(slots=True, kw_only=True)
class PackFolder:
    """Looks names up relative to `base`, inside `root`; remembers folder listings.

    `base` is the folder of the main SFZ file, `root` the folder that may not be left.
    """

    base: Path
    root: Path
    _listings: dict[Path, dict[str, str]] = field(default_factory=dict)
    _known_inside: dict[Path, bool] = field(default_factory=dict)

    def find(self, name: str) -> Found:
        """Find the file called `name` (with ``/``), in any letter case.

        `spelling` is set only where the name on disk differs from `name`.
        """
        if name.startswith("/") or (len(name) > 1 and name[1] == ":") or "\0" in name:
            return Found(path=None, outside=True)
        at = self.base
        spelled: list[str] = []
        if not self._inside(at):
            return Found(path=None, outside=True)
        for part in name.split("/"):
            if part in ("", "."):
                continue
            if part == "..":
                at = at.parent
                spelled.append("..")
            else:
                actual = self._listing(at).get(part) or self._listing(at).get(folded(part))
                if actual is None:
                    return Found(path=None)
                at = at / actual
                spelled.append(actual)
            if not self._inside(at):
                return Found(path=None, outside=True)
        spelling = "/".join(spelled)
        wanted = "/".join(part for part in name.split("/") if part not in ("", "."))
        if not at.is_file():
            return Found(path=None)
        return Found(path=at, spelling=None if spelling == wanted else spelling)

    def _inside(self, path: Path) -> bool:
        inside = self._known_inside.get(path)
        if inside is None:
            try:
                inside = path.resolve().is_relative_to(self.root)
            except (OSError, RuntimeError):  # a loop of symbolic links
                inside = False
            self._known_inside[path] = inside
        return inside

    def _listing(self, folder: Path) -> dict[str, str]:
        """Return true names in `folder` by themselves and by their folded form."""
        listing = self._listings.get(folder)
        if listing is None:
            try:
                names = sorted(entry.name for entry in folder.iterdir())
            except OSError:
                names = []
            listing = {folded(name): name for name in reversed(names)}
            listing.update((name, name) for name in names)
            self._listings[folder] = listing
        return listing
