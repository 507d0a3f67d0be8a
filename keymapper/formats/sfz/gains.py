"""What velocity and key do to the level of a region, as players do it."""

from __future__ import annotations

import numpy as np

from keymapper.formats.sfz.region import SfzRegion


def velocity_gain(region: SfzRegion, velocity: int) -> float:
    """Return the amplitude ratio for a velocity: (v/127)², or the region's own curve.

    ``amp_veltrack`` of t % leaves 1 - t(1 - g); a negative one turns the curve over.
    """
    if region.amp_velcurve:
        points = {0: 0.0, 127: 1.0} | dict(region.amp_velcurve)
        keys = sorted(points)
        gain = float(np.interp(velocity, keys, [points[key] for key in keys]))
    else:
        gain = (velocity / 127.0) ** 2
    track = region.amp_veltrack_percent / 100.0
    return 1.0 - track * (1.0 - gain) if track >= 0 else -track * (1.0 - gain)


def key_gain_db(region: SfzRegion, key: int) -> float:
    """Return what `amp_keytrack` adds to the volume on a key, in dB."""
    return region.amp_keytrack_db * (key - region.amp_keycenter)
