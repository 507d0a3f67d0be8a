"""Random naming schemes: what one person does throughout a folder.

Which fields there are, in what order, how each is written, and the notes that were recorded.
"""

from __future__ import annotations

import unicodedata
from dataclasses import dataclass

from hypothesis import assume
from hypothesis import strategies as st

from keymapper.mapping.names import MeasuredHint

SHARPS = ("C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B")
FLATS = ("C", "Db", "D", "Eb", "E", "F", "Gb", "G", "Ab", "A", "Bb", "B")
DYNAMICS = {16: "ppp", 32: "pp", 48: "p", 64: "mp", 80: "mf", 96: "f", 112: "ff", 127: "fff"}
PREFIXES = (
    "",
    "Patch 12",
    "Bass2",
    "Harbour Pad",
    "pad 808 lead",
    "24bit 48k",
    "钢琴",
    "Бас",
    unicodedata.normalize("NFD", "Élégie"),
    "Release Me",
    "Soft Keys 3",
    "take a1",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Note:
    key: int
    velocity: int
    round_robin: int
    is_release: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Scheme:
    prefix: str
    separator: str
    order: tuple[str, ...]
    key_style: str
    velocity_style: str
    repeat_style: str
    release_style: str
    middle_c_octave: int
    velocity_folder: bool
    first_repeat: int
    counter: str

    def key_text(self, key: int) -> str:
        octave = key // 12 - 5 + self.middle_c_octave
        match self.key_style:
            case "midi":
                return str(key)
            case "midi padded":
                return f"{key:03d}"
            case "midi tagged":
                return f"key{key}"
            case "s":
                return f"{SHARPS[key % 12].replace('#', 's')}{octave}"
            case "flat":
                return f"{FLATS[key % 12]}{octave}"
            case "unicode sharp":
                return f"{SHARPS[key % 12].replace('#', '♯')}{octave}"
            case "unicode flat":
                return f"{FLATS[key % 12].replace('b', '♭')}{octave}"
            case "lower":
                return f"{SHARPS[key % 12]}{octave}".lower()
            case "upper":
                return f"{FLATS[key % 12]}{octave}".upper()
        return f"{SHARPS[key % 12]}{octave}"

    def velocity_text(self, velocity: int) -> str:
        match self.velocity_style:
            case "v":
                return f"v{velocity}"
            case "vel":
                return f"Vel_{velocity:03d}"
            case "bare":
                return f"{velocity:03d}"
            case "dynamics":
                return DYNAMICS[velocity]
        return ""

    def repeat_text(self, note: Note) -> str:
        number = note.round_robin - 1 + self.first_repeat
        match self.repeat_style:
            case "rr":
                return f"rr{number}"
            case "RR":
                return f"RR_{number:02d}"
            case "bare":
                return str(number)
        return ""

    def name(self, note: Note, place: int) -> str:
        fields = {
            "key": self.key_text(note.key),
            "velocity": "" if self.velocity_folder else self.velocity_text(note.velocity),
            "repeat": self.repeat_text(note) if self.repeat_style != "bare" else "",
            "release": "rel" if note.is_release and self.release_style == "word" else "",
        }
        parts = [self.prefix, *(fields[field] for field in self.order)]
        if self.repeat_style == "bare":
            parts.append(self.repeat_text(note))
        if self.counter == "first":
            parts.insert(0, f"{place:03d}")
        if self.counter == "last":
            parts.append(f"{place:03d}")
        path = self.separator.join(part for part in parts if part) + ".wav"
        if self.velocity_folder and self.velocity_style != "none":
            path = f"{self.velocity_text(note.velocity)}/{path}"
        if note.is_release and self.release_style == "folder":
            path = f"Release/{path}"
        return path


@dataclass(frozen=True, slots=True, kw_only=True)
class NamedSet:
    scheme: Scheme
    notes: tuple[Note, ...]
    offset: int
    is_measured: bool

    @property
    def names(self) -> list[str]:
        return [self.scheme.name(note, place) for place, note in enumerate(self.notes, start=1)]

    @property
    def measured(self) -> list[MeasuredHint | None]:
        if not self.is_measured:
            return [None] * len(self.notes)
        return [
            MeasuredHint(
                root_key=note.key + self.offset,
                confidence=0.97,
                tuning_cents=7.0 * ((note.key * 5 + note.round_robin) % 7 - 3),
                level_db=-40.0 + 0.25 * note.velocity + 0.4 * (note.key * note.round_robin % 3),
            )
            for note in self.notes
        ]


NOTE_STYLES = ("#", "s", "flat", "unicode sharp", "unicode flat", "lower", "upper")
MIDI_STYLES = ("midi", "midi padded", "midi tagged")


@st.composite
def schemes(draw: st.DrawFn, key_styles: tuple[str, ...] = NOTE_STYLES + MIDI_STYLES) -> Scheme:
    key_style = draw(st.sampled_from(key_styles))
    velocity_style = draw(st.sampled_from(("none", "v", "vel", "bare", "dynamics")))
    return Scheme(
        prefix=draw(st.sampled_from(PREFIXES)),
        separator=draw(st.sampled_from(("_", "-", " ", ".", " - "))),
        order=tuple(draw(st.permutations(("key", "velocity", "repeat", "release")))),
        key_style=key_style,
        velocity_style=velocity_style,
        repeat_style=draw(st.sampled_from(("none", "rr", "RR", "bare"))),
        release_style=draw(st.sampled_from(("none", "word", "folder"))),
        middle_c_octave=draw(st.sampled_from((4, 3, 5))),
        velocity_folder=velocity_style in ("v", "dynamics") and draw(st.booleans()),
        first_repeat=draw(st.sampled_from((1, 1, 0))),
        counter=draw(st.sampled_from(("none", "none", "first", "last"))),
    )


@st.composite
def named_sets(
    draw: st.DrawFn, key_styles: tuple[str, ...] = NOTE_STYLES + MIDI_STYLES
) -> NamedSet:
    scheme = draw(schemes(key_styles))
    first = draw(st.integers(min_value=12, max_value=60))
    step = draw(st.sampled_from((1, 2, 3, 4, 5, 7, 12)))
    keys = list(range(first, 116, step))[: draw(st.integers(3, 9))]
    assume(max(keys) >= 36)  # "Pad-C-1" alone may be the octave -1 as well as a separator and 1
    velocities = draw(
        st.lists(st.sampled_from(tuple(DYNAMICS)), min_size=1, max_size=4, unique=True)
    )
    repeats = 1 if scheme.repeat_style == "none" else draw(st.integers(2, 4))
    releases = (False,) if scheme.release_style == "none" else (False, True)
    if scheme.velocity_style == "none":
        velocities = velocities[:1]
    notes = [
        Note(key=key, velocity=velocity, round_robin=repeat, is_release=is_release)
        for key in keys
        for velocity in velocities
        for repeat in range(1, repeats + 1)
        for is_release in releases
    ]
    return NamedSet(
        scheme=scheme,
        notes=tuple(draw(st.permutations(notes))) if len(notes) < 60 else tuple(notes),
        offset=draw(st.sampled_from((0, 0, -12, 12))) if scheme.key_style in MIDI_STYLES else 0,
        is_measured=True,
    )
