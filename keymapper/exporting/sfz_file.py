"""From a manifest to an SFZ document in the portable dialect."""

from __future__ import annotations

from keymapper.formats.sfz import SfzDocument, SfzHeader
from keymapper.formats.sfz.values import decimal_text
from keymapper.mapping.controls import (
    ATTACK_CONTROLLER,
    BALANCE_CONTROLLER,
    BALANCE_MIDDLE,
    BRIGHTNESS_CONTROLLER,
    RELEASE_CONTROLLER,
)
from keymapper.model.instrument import Manifest, Zone

DECAY_DB_AT_FULL_TIME = 69.0
"""Players fall by 60 or by 78 dB over `ampeg_decay`; the middle is within 13 % of both slopes."""

ENVELOPE_OPCODES = {ATTACK_CONTROLLER: "ampeg_attack", RELEASE_CONTROLLER: "ampeg_release"}

Opcodes = tuple[tuple[str, str], ...]


def sfz_document(manifest: Manifest) -> SfzDocument:
    """Return the instrument as SFZ: one region a zone, sorted as the zones are."""
    regions = [region_of_zone(zone) for zone in manifest.zones]
    return SfzDocument(headers=(*_controls(manifest), *regions))


def region_of_zone(zone: Zone) -> SfzHeader:
    """Return the region that plays a zone."""
    return SfzHeader(name="region", opcodes=_region(zone))


def _controls(manifest: Manifest) -> tuple[SfzHeader, ...]:
    """Knobs with their names and start values, and what the envelope's knobs move."""
    if not manifest.controls:
        return ()
    named: list[tuple[str, str]] = []
    moved: list[tuple[str, str]] = []
    for control in manifest.controls:
        named.append((f"set_cc{control.controller}", str(control.start)))
        named.append((f"label_cc{control.controller}", control.label))
        if control.seconds is not None:
            name = ENVELOPE_OPCODES[control.controller]
            moved.append((f"{name}_oncc{control.controller}", decimal_text(control.seconds)))
    control_header = SfzHeader(name="control", opcodes=tuple(named))
    if not moved:
        return (control_header,)
    return (control_header, SfzHeader(name="global", opcodes=tuple(moved)))


def _region(zone: Zone) -> Opcodes:
    opcodes = [
        ("sample", zone.sample),
        ("lokey", str(zone.low_key)),
        ("hikey", str(zone.high_key)),
        ("pitch_keycenter", str(zone.root_key)),
        *_tuning(zone),
        ("lovel", str(zone.low_velocity)),
        ("hivel", str(zone.high_velocity)),
        *_velocity_fade(zone),
        *_level(zone),
    ]
    if zone.round_robins > 1:
        opcodes += [
            ("seq_length", str(zone.round_robins)),
            ("seq_position", str(zone.round_robin)),
        ]
    if zone.trigger == "release":
        opcodes.append(("trigger", "release"))
    if zone.choke_group:
        group = str(zone.choke_group)
        opcodes += [("group", group), ("off_by", group), ("off_mode", "normal")]
    if zone.pan_percent:
        opcodes.append(("pan", decimal_text(zone.pan_percent)))
    return (*opcodes, *_playback(zone), *_envelope(zone), *_brightness(zone), *_balance(zone))


def _balance(zone: Zone) -> Opcodes:
    """Both layers are whole in the middle of the control; towards an end one fades out."""
    low, middle = f"locc{BALANCE_CONTROLLER}", str(BALANCE_MIDDLE)
    high = f"hicc{BALANCE_CONTROLLER}"
    if zone.balance == "first":
        return ((f"xfout_{low}", middle), (f"xfout_{high}", "127"))
    if zone.balance == "second":
        return ((f"xfin_{low}", "0"), (f"xfin_{high}", middle))
    return ()


def _tuning(zone: Zone) -> Opcodes:
    """Whole cents for the sample's own error; whole semitones where it is more than one off."""
    cents = round(zone.target_cents - zone.tuning_cents)
    semitones = 0 if abs(cents) <= 100 else round(cents / 100)
    transpose = (("transpose", str(semitones)),) if semitones else ()
    return (*transpose, ("tune", str(cents - 100 * semitones)))


def _velocity_fade(zone: Zone) -> Opcodes:
    fade = zone.velocity_fade
    if fade is None:
        return ()
    ends = (
        ("xfin_lovel", fade.in_low),
        ("xfin_hivel", fade.in_high),
        ("xfout_lovel", fade.out_low),
        ("xfout_hivel", fade.out_high),
    )
    law = () if fade.law == "power" else (("xf_velcurve", fade.law),)
    return (*((name, str(value)) for name, value in ends), *law)


def _brightness(zone: Zone) -> Opcodes:
    if zone.brightness is None:
        return ()
    return (
        ("fil_type", "lpf_2p"),
        ("cutoff", decimal_text(zone.brightness.closed_hz)),
        (f"cutoff_oncc{BRIGHTNESS_CONTROLLER}", str(zone.brightness.range_cents)),
    )


def _level(zone: Zone) -> Opcodes:
    """Volume and velocity curve; the curve's highest point is 1, what is over it is volume."""
    highest = max((point.gain_db for point in zone.velocity_gains), default=0.0)
    volume = ("volume", decimal_text(zone.gain_db + highest))
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
            ("ampeg_hold", decimal_text(zone.envelope.hold_seconds)),
            ("ampeg_decay", decimal_text(min(100.0, DECAY_DB_AT_FULL_TIME / decay))),
            ("ampeg_sustain", "0"),
        ]
    opcodes.append(("ampeg_release", decimal_text(zone.envelope.release_seconds)))
    return tuple(opcodes)
