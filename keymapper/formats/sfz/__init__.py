"""The SFZ format: a document model, a strict portable writer and a forgiving reader."""

from keymapper.formats.sfz.document import SfzDocument, SfzHeader
from keymapper.formats.sfz.gains import key_gain_db, velocity_gain
from keymapper.formats.sfz.reader import parse_sfz, read_sfz
from keymapper.formats.sfz.reading import SfzControl, SfzCurve, SfzProblem, SfzReading
from keymapper.formats.sfz.region import (
    SfzControllerRange,
    SfzCrossfade,
    SfzEnvelope,
    SfzFilter,
    SfzModulation,
    SfzRegion,
)
from keymapper.formats.sfz.region_builder import canonical_name
from keymapper.formats.sfz.writer import write_sfz

__all__ = [
    "SfzControl",
    "SfzControllerRange",
    "SfzCrossfade",
    "SfzCurve",
    "SfzDocument",
    "SfzEnvelope",
    "SfzFilter",
    "SfzHeader",
    "SfzModulation",
    "SfzProblem",
    "SfzReading",
    "SfzRegion",
    "canonical_name",
    "key_gain_db",
    "parse_sfz",
    "read_sfz",
    "velocity_gain",
    "write_sfz",
]
