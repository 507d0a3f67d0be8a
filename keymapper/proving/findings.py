"""What a proof tells of: each kind of finding with its severity, unit, words and remedy."""

from __future__ import annotations

from dataclasses import dataclass, replace

from keymapper.model.finding import Severity
from keymapper.model.keys import key_name
from keymapper.model.proof import PlayedNote, ProofFinding


def zone_text(key: int, velocity: int | None = None, articulation: str = "") -> str:
    """Return where a note lies, for example "C#3 v100" or "C#3 v100 (switch C0)"."""
    place = key_name(key) if velocity is None else f"{key_name(key)} v{velocity}"
    return under_articulation(place, articulation)


def under_articulation(place: str, articulation: str) -> str:
    """Return a place with the articulation it lies in, where there is more than one."""
    return f"{place} ({articulation})" if articulation else place


@dataclass(frozen=True, slots=True, kw_only=True)
class _Rule:
    severity: Severity
    unit: str
    message: str
    fix: str


_RULES = {
    "proof-sample": _Rule(
        severity="error",
        unit="",
        message="cannot be played",
        fix="put the file where the SFZ looks for it, or correct the path",
    ),
    "proof-gap": _Rule(
        severity="warning",
        unit="keys",
        message="no zone lies on these keys, though on both sides",
        fix="stretch the zones beside the gap",
    ),
    "proof-silence": _Rule(
        severity="error",
        unit="dBFS",
        message="nothing sounds where the key range says something should",
        fix="map a zone to this key and velocity, or mend the sample",
    ),
    "proof-doubled": _Rule(
        severity="warning",
        unit="zones",
        message="more zones sound together than on the other notes",
        fix="make key and velocity ranges meet without overlapping",
    ),
    "proof-octave": _Rule(
        severity="error",
        unit="octaves",
        message="sounds in another octave of its key than the other notes",
        fix="correct the root key of the zone",
    ),
    "proof-wrong-key": _Rule(
        severity="error",
        unit="cents",
        message="is nearer to another key than to its own",
        fix="correct the root key of the zone",
    ),
    "proof-tuning": _Rule(
        severity="warning",
        unit="cents",
        message="is off the pitch of its key",
        fix="correct tune, or the pitch of the sample",
    ),
    "proof-onset": _Rule(
        severity="warning",
        unit="ms",
        message="sounds later after the key goes down than the other notes",
        fix="cut the silence before the sound",
    ),
    "proof-latency": _Rule(
        severity="warning",
        unit="ms",
        message="most notes sound late after the key goes down",
        fix="cut the silence before the sounds, or take the delay out",
    ),
    "proof-start-click": _Rule(
        severity="warning",
        unit="dB",
        message="starts with a click",
        fix="let the sample begin at silence",
    ),
    "proof-release-click": _Rule(
        severity="warning",
        unit="dB",
        message="clicks when the key is let go",
        fix="lengthen ampeg_release",
    ),
    "proof-end-click": _Rule(
        severity="warning",
        unit="dB",
        message="breaks off with a click before it has died away",
        fix="fade the sample's end out, or let it play on",
    ),
    "proof-choke-click": _Rule(
        severity="warning",
        unit="dB",
        message="clicks when another key cuts it off",
        fix="use off_mode=normal with a release of some 30 ms",
    ),
    "proof-level-step": _Rule(
        severity="warning",
        unit="dB",
        message="the next key is louder (+) or softer (-) by more than the limit",
        fix="even the levels of the two zones",
    ),
    "proof-hand-over": _Rule(
        severity="warning",
        unit="dB",
        message="the next velocity layer enters louder (+) or softer (-) than this one ends",
        fix="level the layers, or set amp_velcurve so that they meet",
    ),
    "proof-join": _Rule(
        severity="warning",
        unit="dB",
        message="the join of the loop can be heard",
        fix="find the loop again, or let the note decay",
    ),
    "proof-left-out": _Rule(
        severity="note",
        unit="",
        message="no key, velocity, key switch or controller value that was tried starts this zone",
        fix="listen to it by hand, or mend its conditions",
    ),
}


def sample_finding(sample: str, reason: str) -> ProofFinding:
    """Return the finding that a sample cannot be played."""
    finding = proof_finding("proof-sample", "", None, None, sample)
    return replace(finding, message=f"{finding.message}: {reason}")


def proof_finding(
    rule: str, zone: str, measured: float | None, limit: float | None, file: str = ""
) -> ProofFinding:
    """Return a finding of a rule, in its unit; `zone` and `file` say where, as far as known."""
    about = _RULES[rule]
    return ProofFinding(
        rule=rule,
        severity=about.severity,
        file=file,
        zone=zone,
        measured=None if measured is None else round(measured, 3),
        limit=limit,
        unit=about.unit,
        message=about.message,
        fix=about.fix,
    )


def note_finding(note: PlayedNote, rule: str, measured: float, limit: float | None) -> ProofFinding:
    """Return a finding about one played note."""
    sample = note.samples[0] if note.samples else ""
    zone = zone_text(note.key, note.velocity, note.articulation)
    return proof_finding(rule, zone, measured, limit, sample)
