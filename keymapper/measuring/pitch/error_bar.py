"""How many cents the exact pitch may be wrong."""

from __future__ import annotations

import math

from keymapper.measuring.pitch.course import Swing
from keymapper.measuring.pitch.fine import FinePitch

FLOOR_HZ = 1e-4


def tuning_error(fine: FinePitch, swing: Swing | None, *, modulated: bool) -> float:
    """Return the half width, in cents, of the interval that holds the pitch 95 times in 100."""
    vote, seconds = fine.vote, fine.window_seconds
    base = vote.error_cents + 10 * max(0.0, 0.5 - vote.share)
    floor = 1731 * FLOOR_HZ / fine.f0_hz
    if swing is None:
        return max(floor, 2 * base)
    if modulated:
        own = swing.depth_cents * (0.01 + 0.05 / max(swing.cycles, 1.0) ** 2)
        rest = 0.15 * swing.deviation_cents * math.sqrt(1 - swing.explained)
        rest /= math.sqrt(max(swing.cycles, 1.0))
        return max(floor, math.hypot(min(base, 0.3), own, rest))
    loose = 1 - vote.line_share
    beating = vote.spread_cents * fine.f0_hz * seconds / 1731
    slope = 0.3 if swing.coherence > 0.5 else 0.1
    terms = (
        base,
        (0.03 + 0.12 * loose) * swing.deviation_cents / math.sqrt(seconds),
        slope * abs(swing.drift_cents_per_second) * seconds,
        0.03 * vote.spread_cents * loose * min(1.0, 3 / (1 + beating)),
    )
    return max(floor, math.hypot(*terms))
