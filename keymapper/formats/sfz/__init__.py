"""The SFZ format: a document model, a strict portable writer and a forgiving reader."""

from keymapper.formats.sfz.document import SfzDocument, SfzHeader
from keymapper.formats.sfz.writer import write_sfz

__all__ = ["SfzDocument", "SfzHeader", "write_sfz"]
