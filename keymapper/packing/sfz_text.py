"""An instrument's SFZ as it lies in the pack: samples where they lie there, one gain on top."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from keymapper.errors import OutputError
from keymapper.formats.sfz import (
    SfzDocument,
    SfzHeader,
    SfzReading,
    SfzRegion,
    canonical_name,
    write_sfz,
)
from keymapper.formats.sfz.values import decimal_text

_LEVELS = ("global", "master", "group")


def packed_sfz(reading: SfzReading, names: Mapping[str, str], gain_db: float) -> str:
    """Return the SFZ text of a reading, all else as it was written.

    names : where each sample of the regions lies, relative to the SFZ file.
    gain_db : added to the volume of every region.

    Raises
    ------
    OutputError
        The file says something that not every player would read alike.
    """
    try:
        return write_sfz(SfzDocument(headers=tuple(_headers(reading, names, gain_db))))
    except OutputError as error:
        raise OutputError(f"{reading.path}: {error}") from error


def _headers(reading: SfzReading, names: Mapping[str, str], gain_db: float) -> Iterator[SfzHeader]:
    regions = iter(reading.regions)
    inherited: dict[str, bool] = {}
    for header in reading.document.headers:
        has_sample = any(name == "sample" and value for name, value in header.opcodes)
        if header.name in _LEVELS:
            inherited[header.name] = has_sample
            for lower in _LEVELS[_LEVELS.index(header.name) + 1 :]:
                inherited[lower] = False
        if header.name == "region":
            if has_sample or any(inherited.values()):
                yield _region(header, next(regions), names, gain_db)
        else:
            opcodes = _without(header.opcodes, ("sample", "default_path"))
            yield SfzHeader(name=header.name, opcodes=opcodes)


def _region(
    header: SfzHeader, region: SfzRegion, names: Mapping[str, str], gain_db: float
) -> SfzHeader:
    """Return a region with sample and volume in the places where they stood, each once.

    What the levels above add to the volume stays written there.
    """
    own = {
        "sample": names.get(region.sample, region.sample),
        "volume": decimal_text(region.own_volume_db + gain_db),
    }
    opcodes = [
        (usual if (usual := canonical_name(name)) in own else name, value)
        for name, value in header.opcodes
    ]
    places = {name: place for place, (name, _) in enumerate(opcodes)}
    written = [
        (name, own.get(name, value))
        for place, (name, value) in enumerate(opcodes)
        if name not in own or places[name] == place
    ]
    missing = [pair for pair in own.items() if pair[0] not in places]
    return SfzHeader(name="region", opcodes=(*missing, *written))


def _without(
    opcodes: Sequence[tuple[str, str]], names: Sequence[str]
) -> tuple[tuple[str, str], ...]:
    return tuple((name, value) for name, value in opcodes if name not in names)
