"""Standard MIDI Files, written and read, good and bad."""

import contextlib
import io
import struct

import mido
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from keymapper.errors import InputError
from keymapper.formats.midi_file import midi_bytes, read_midi
from keymapper.model.session import PatchCall, SessionSettings
from keymapper.planning.sheet import plan_session


def smf(events: bytes, division: int = 96, kind: int = 0, tracks: int = 1) -> bytes:
    head = b"MThd" + struct.pack(">IHHH", 6, kind, tracks, division)
    return head + b"MTrk" + struct.pack(">I", len(events)) + events


END = b"\x00\xff\x2f\x00"


def read(tmp_path, content: bytes):
    path = tmp_path / "plan.mid"
    path.write_bytes(content)
    return read_midi(path)


def facts(sheet):
    return [
        (n.role, n.patch, n.key, n.velocity, n.round_robin, n.on_seconds, n.off_seconds)
        for n in sheet.notes
    ]


@settings(max_examples=30, deadline=None)
@given(
    st.integers(1, 12),
    st.floats(0.05, 4),
    st.lists(st.integers(1, 127), min_size=1, max_size=3),
    st.booleans(),
)
def test_a_written_plan_reads_back_exactly(tmp_path_factory, every, hold, velocities, shuffled):
    plan = SessionSettings(
        every=every,
        hold_seconds=hold,
        velocities=tuple(velocities),
        order="shuffled" if shuffled else "upwards",
        reference_every_seconds=40,
        patches=(PatchCall(name="A", program=1), PatchCall(name="B", program=2, bank_msb=3)),
    )
    sheet = plan_session(plan)
    back = read(tmp_path_factory.mktemp("midi"), midi_bytes(sheet)).sheet
    assert [f[:5] for f in facts(back)] == [f[:5] for f in facts(sheet)]
    for one, two in zip(facts(back), facts(sheet), strict=True):
        assert one[5:] == pytest.approx(two[5:], abs=1e-9)
    assert back.patches == sheet.patches


def test_patches_that_are_changed_by_hand_stay_apart(tmp_path):
    hands = tuple(PatchCall(name=name) for name in ("Brass", "Pad", "Brass"))
    sheet = plan_session(SessionSettings(keys=(60, 64), patches=hands))
    back = read(tmp_path, midi_bytes(sheet)).sheet
    assert facts(back) == facts(sheet)
    assert back.patches == hands


def test_what_is_sent_before_a_patch():
    patches = (PatchCall(name="A", program=7, bank_msb=1, bank_lsb=2),)
    sheet = plan_session(SessionSettings(patches=patches, channel=3, transpose=5, keys=(60,)))
    track = mido.MidiFile(file=io.BytesIO(midi_bytes(sheet))).tracks[0]
    sent = [m for m in track if not m.is_meta]
    assert [(m.control, m.value) for m in sent if m.type == "control_change"] == [
        (120, 0), (64, 0), (0, 1), (32, 2),
    ]  # fmt: skip
    assert [m.type for m in sent][4:7] == ["pitchwheel", "program_change", "note_on"]
    assert {m.channel for m in sent} == {2}
    assert {m.note for m in sent if m.type == "note_on"} == {65}
    assert midi_bytes(sheet) == midi_bytes(sheet)


def test_running_status_and_velocity_zero_as_note_off(tmp_path):
    events = b"\x00\x90\x3c\x40" + b"\x60\x3c\x00" + b"\x60\x3e\x50" + b"\x60\x3e\x00" + END
    sheet = read(tmp_path, smf(events)).sheet
    assert facts(sheet) == [
        ("note", 0, 60, 64, 1, 0.0, 0.5),
        ("note", 0, 62, 80, 1, 1.0, 1.5),
    ]


def test_tempo_changes_hold_for_all_tracks_of_type_1(tmp_path):
    tempo = b"\x00\xff\x51\x03\x07\xa1\x20" + b"\x60\xff\x51\x03\x0f\x42\x40" + END
    notes = b"\x00\x90\x3c\x40\x60\x80\x3c\x40\x60\x90\x3e\x40\x60\x80\x3e\x40" + END
    second = b"MTrk" + struct.pack(">I", len(notes)) + notes
    sheet = read(tmp_path, smf(tempo, kind=1, tracks=2) + second).sheet
    assert [f[5:] for f in facts(sheet)] == [(0.0, 0.5), (1.5, 2.5)]


@pytest.mark.parametrize(
    ("frames", "ticks", "seconds"),
    [(25, 40, 0.001), (24, 4, 1 / 96), (30, 80, 1 / 2400), (29, 100, 1001 / 3_000_000)],
)
def test_smpte_division(tmp_path, frames, ticks, seconds):
    division = ((256 - frames) << 8) | ticks
    events = b"\x00\x90\x3c\x40" + b"\x64\x80\x3c\x40" + END
    sheet = read(tmp_path, smf(events, division)).sheet
    assert sheet.notes[0].off_seconds == pytest.approx(100 * seconds)


def test_hanging_and_overlapping_notes_are_read_with_a_remark(tmp_path):
    events = (
        b"\x00\x90\x3c\x40" + b"\x60\x90\x3c\x50" + b"\x60\x80\x3c\x40" + b"\x60\x90\x40\x40" + END
    )
    plan = read(tmp_path, smf(events))
    assert [(f[2], f[4], f[5], f[6]) for f in facts(plan.sheet)] == [
        (60, 1, 0.0, 0.5),
        (60, 1, 0.5, 1.0),
        (64, 1, 1.5, 3.5),
    ]
    assert plan.remarks == (
        "key 60 is struck again at 0.500 s before it is let go",
        "key 64 is never let go",
    )


def test_repeats_become_round_robins_and_programs_patches(tmp_path):
    strike = b"\x60\x90\x3c\x40\x60\x80\x3c\x40"
    events = strike + strike + b"\x00\xc0\x05" + strike + END
    sheet = read(tmp_path, smf(events)).sheet
    assert [(n.patch, n.round_robin) for n in sheet.notes] == [(0, 1), (0, 2), (1, 1)]
    assert sheet.patches[1].program == 5


@pytest.mark.parametrize(
    ("content", "reason"),
    [
        (b"", "not a Standard MIDI File"),
        (b"RIFF" + bytes(40), "not a Standard MIDI File"),
        (smf(END, kind=2), "MIDI type 2 holds separate songs"),
        (smf(END, division=0), "0 ticks per quarter note"),
        (smf(END, division=0x8000 | (200 << 8)), "unknown SMPTE division"),
        (smf(END), "holds no notes"),
        (smf(b"\x00\x90\x3c"), "damaged MIDI file"),
        (smf(b"\x00\x90\x3c\xc8\x60\x80\x3c\x40" + END), r"damaged MIDI file \(data byte must be"),
        (smf(b"\x00\x90\x3c\x40\x00\x90\x40\x40" + END), "notes 0 .* are struck together"),
    ],
)
def test_the_rest_is_refused_in_one_line(tmp_path, content, reason):
    with pytest.raises(InputError, match=reason) as caught:
        read(tmp_path, content)
    assert "\n" not in str(caught.value)


@settings(max_examples=200, deadline=None)
@given(st.binary(max_size=60), st.sampled_from([96, 480, 0xE728]), st.integers(0, 3))
def test_hostile_bytes_never_raise_anything_else(tmp_path_factory, events, division, kind):
    path = tmp_path_factory.mktemp("hostile") / "a.mid"
    path.write_bytes(smf(events, division, kind))
    with contextlib.suppress(InputError):
        read_midi(path)
