"""From a manifest to an SFZ document in the portable dialect."""

from __future__ import annotations

from keymapper.formats.sfz import SfzDocument, SfzHeader
from keymapper.model.instrument import Manifest, Zone

DECAY_DB_AT_FULL_TIME = 69.0
"""Players fall by 60 or by 78 dB over `ampeg_decay`; the middle is within 13 % of both slopes."""

Opcodes = tuple[tuple[str, str], ...]


def sfz_document(manifest: Manifest) -> SfzDocument:
    """Return the instrument as SFZ: one region a zone, sorted as the zones are."""
    regions = [SfzHeader(name="region", opcodes=_region(zone)) for zone in manifest.zones]
    return SfzDocument(headers=tuple(regions))


def _region(zone: Zone) -> Opcodes:
    opcodes = [
        ("sample", zone.sample),
        ("lokey", str(zone.low_key)),
        ("hikey", str(zone.high_key)),
        ("pitch_keycenter", str(zone.root_key)),
        ("tune", str(-round(zone.tuning_cents))),
        ("lovel", str(zone.low_velocity)),
        ("hivel", str(zone.high_velocity)),
        *_level(zone),
    ]
    if zone.round_robins > 1:
        opcodes += [
            ("seq_length", str(zone.round_robins)),
            ("seq_position", str(zone.round_robin)),
        ]
    if zone.trigger == "release":
        opcodes.append(("trigger", "release"))
    return (*opcodes, *_playback(zone), *_envelope(zone))


def _level(zone: Zone) -> Opcodes:
    """Volume and velocity curve; the curve's highest point is 1, what is over it is volume."""
    highest = max((point.gain_db for point in zone.velocity_gains), default=0.0)
    volume = ("volume", _decimal(zone.gain_db + highest))
    if zone.velocity_tracking == "none":
        return (volume, ("amp_veltrack", "0"))
    points = tuple(
        (f"amp_velcurve_{point.velocity}", f"{10 ** ((point.gain_db - highest) / 20):.5f}")
        for point in zone.velocity_gains
    )
    return (volume, *points)


def _playback(zone: Zone) -> Opcodes:
    if zone.loop is None:
        return (("loop_mode", zone.play_mode),)
    return (
        ("loop_mode", zone.play_mode),
        ("loop_start", str(zone.loop.start_frame)),
        ("loop_end", str(zone.loop.end_frame - 1)),
    )


def _envelope(zone: Zone) -> Opcodes:
    opcodes: list[tuple[str, str]] = []
    decay = zone.envelope.decay_db_per_second
    if decay is not None and decay > 0:
        opcodes += [
            ("ampeg_hold", _decimal(zone.envelope.hold_seconds)),
            ("ampeg_decay", _decimal(min(100.0, DECAY_DB_AT_FULL_TIME / decay))),
            ("ampeg_sustain", "0"),
        ]
    opcodes.append(("ampeg_release", _decimal(zone.envelope.release_seconds)))
    return tuple(opcodes)


def _decimal(value: float) -> str:
    text = f"{value:.3f}".rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text
