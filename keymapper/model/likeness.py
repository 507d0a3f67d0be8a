"""How alike two recordings of the same key are."""

from __future__ import annotations

from dataclasses import dataclass

ALIKE_CORRELATION = 0.99
ALIKE_PARTS_CORRELATION = 0.8
"""Lower than that of the whole: noise of the converters lies under each part alone."""
ALIKE_LEVEL_DB = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Likeness:
    """Two waveforms, lined up where they match best."""

    correlation: float
    """Normalised: 1 for the same, 0 for unrelated, -1 for the same upside down."""
    least_correlation: float
    """Of the parts that are heard, octaves of short stretches, that of the one least alike."""
    level_difference_db: float
    """Of the first over the second."""

    @property
    def alike(self) -> bool:
        """Whether nobody would hear that they take turns."""
        close = abs(self.level_difference_db) < ALIKE_LEVEL_DB
        return (
            close
            and self.correlation > ALIKE_CORRELATION
            and self.least_correlation > ALIKE_PARTS_CORRELATION
        )
