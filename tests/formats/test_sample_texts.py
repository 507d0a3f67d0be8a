"""What WAV, AIFF and FLAC files say beside their audio, well formed and not."""

from __future__ import annotations

import struct
from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import given
from hypothesis import strategies as st

from keymapper.formats.aiff_chunks import aiff_hints, aiff_texts, read_aiff_chunks
from keymapper.formats.flac_texts import read_flac_metadata
from keymapper.formats.ixml import read_ixml
from keymapper.formats.sample_texts import read_imprint
from keymapper.formats.wav_chunks import read_embedded_hints
from keymapper.formats.wav_rewrite import rewrite_chunks
from keymapper.formats.wav_texts import cue_frames, cue_labels, info_tags, iso_time, read_wav_texts
from keymapper.model.sample_facts import Marker, SampleTexts

SOUND = np.sin(np.arange(4_800) / 20)
SMPL = struct.pack("<9I6I", 0, 0, 20_833, 57, 0, 0, 0, 1, 0, 0, 0, 100, 1_999, 0, 0)


def _wav(path: Path, **chunks: bytes) -> Path:
    """A WAV with chunks put behind its audio; `_` in a name stands for a blank."""
    soundfile.write(path, SOUND, 48_000, subtype="PCM_16")
    body = path.read_bytes()[8:]
    for name, content in chunks.items():
        identity = name.replace("_", " ").encode()
        body += identity + struct.pack("<I", len(content)) + content + b"\0" * (len(content) & 1)
    path.write_bytes(b"RIFF" + struct.pack("<I", len(body)) + body)
    return path


def _cue(*points: tuple[int, int]) -> bytes:
    body = struct.pack("<I", len(points))
    for identity, frame in points:
        body += struct.pack("<II4sIII", identity, frame, b"data", 0, 0, frame)
    return body


def _sub(name: bytes, content: bytes) -> bytes:
    return name + struct.pack("<I", len(content)) + content + b"\0" * (len(content) & 1)


def _bext(date: str, time: str, reference_frames: int) -> bytes:
    body = bytearray(602)
    body[:7] = b"Foghorn"
    body[320:338] = (date + time).encode()
    body[338:346] = struct.pack("<Q", reference_frames)
    return bytes(body)


def test_a_wav_tells_markers_tags_and_when_it_was_recorded(tmp_path):
    labels = b"adtl" + _sub(b"labl", struct.pack("<I", 2) + b"loop\0")
    path = _wav(
        tmp_path / "a.wav",
        cue_=_cue((2, 300), (1, 100)),
        LIST=labels,
        bext=_bext("2026-11-20", "21:30:05", 96_000),
        iXML=b"<BWFXML><NOTE>C4 v100</NOTE><OTHER>x</OTHER></BWFXML>\0",
    )
    texts = read_wav_texts(path)
    assert texts.markers == (Marker(name="", frame=100), Marker(name="loop", frame=300))
    assert texts.tags == (("bext Description", "Foghorn"), ("iXML NOTE", "C4 v100"))
    assert (texts.recorded, texts.time_reference_frames) == ("2026-11-20T21:30:05", 96_000)


def test_info_tags_are_read(tmp_path):
    body = b"INFO" + _sub(b"INAM", b"Foghorn\0") + _sub(b"ICMT", b"caf\xe9\0")
    assert info_tags(body) == [("INAM", "Foghorn"), ("ICMT", "café")]
    assert read_wav_texts(_wav(tmp_path / "a.wav", LIST=body)).tags[0] == ("INAM", "Foghorn")


@given(st.binary(max_size=300))
def test_rubbish_in_chunks_raises_nothing(body):
    cue_frames(body)
    cue_labels(b"adtl" + body)
    info_tags(b"INFO" + body)
    aiff_texts({b"MARK": body, b"INST": body, b"NAME": body})
    aiff_hints({b"MARK": body, b"INST": body})


@pytest.mark.parametrize(
    ("date", "time", "wanted"),
    [
        ("2026-11-20", "21:30:05", "2026-11-20T21:30:05"),
        ("2026:11:20", "21-30-05", "2026-11-20T21:30:05"),
        ("2026-13-20", "21:30:05", None),
        ("2026-11-20", "24:00:00", None),
        ("", "21:30:05", None),
    ],
)
def test_times_are_checked(date, time, wanted):
    assert iso_time(date, time) == wanted


def test_ixml_opens_no_entity_and_no_file(tmp_path):
    secret = tmp_path / "secret.txt"
    secret.write_text("the harbour code is 4711")
    hostile = (
        f'<!DOCTYPE x [<!ENTITY e SYSTEM "file://{secret}">]><BWFXML><NOTE>&e;</NOTE></BWFXML>'
    )
    facts = read_ixml(hostile.encode())
    assert facts.fields == ()
    assert facts.problem is not None
    assert "4711" not in facts.problem


def test_ixml_bombs_and_rubbish_are_problems():
    bomb = "<!DOCTYPE x [<!ENTITY a 'aaaaaaaaaa'>" + "".join(
        f"<!ENTITY {chr(98 + n)} '{10 * f'&{chr(97 + n)};'}'>" for n in range(9)
    )
    assert read_ixml((bomb + "]><BWFXML><NOTE>&j;</NOTE></BWFXML>").encode()).problem
    assert read_ixml(b"no xml").problem
    assert read_ixml(b"\0\0") == read_ixml(b"")


def test_an_aiff_tells_root_loop_and_markers(tmp_path):
    path = tmp_path / "a.aif"
    soundfile.write(path, SOUND, 48_000, subtype="PCM_16", format="AIFF")
    marks = struct.pack(">H", 2)
    for identity, frame, name in [(1, 100, b"in"), (2, 2_000, b"out")]:
        marks += struct.pack(">hIB", identity, frame, len(name)) + name
        marks += b"\0" * (1 - len(name) % 2)
    inst = struct.pack(">BbBBBBh3h3h", 57, -12, 50, 60, 1, 127, 0, 1, 1, 2, 0, 0, 0)
    body = path.read_bytes()[8:]
    for name, content in [(b"MARK", marks), (b"INST", inst), (b"NAME", b"Foghorn ")]:
        body += name + struct.pack(">I", len(content)) + content
    path.write_bytes(b"FORM" + struct.pack(">I", len(body)) + body)
    imprint = read_imprint(path)
    assert imprint.embedded is not None
    assert (imprint.embedded.root_key, imprint.embedded.tuning_cents) == (57, 12.0)
    assert (imprint.embedded.loop_start_frame, imprint.embedded.loop_end_frame) == (100, 2_000)
    assert [marker.name for marker in imprint.texts.markers] == ["in", "out"]
    assert imprint.texts.tags == (("NAME", "Foghorn"),)


def test_a_flac_tells_comments_and_foreign_chunks(tmp_path):
    path = tmp_path / "a.flac"
    with soundfile.SoundFile(path, "w", 48_000, 1, "PCM_16", format="FLAC") as file:
        file.title = "Foghorn"
        file.write(SOUND)
    content = path.read_bytes()
    riff = b"riff" + b"smpl" + struct.pack("<I", len(SMPL)) + SMPL
    first_end = 4 + 4 + int.from_bytes(content[5:8], "big")
    block = bytes([2]) + len(riff).to_bytes(3, "big") + riff
    path.write_bytes(content[:first_end] + block + content[first_end:])
    assert ("TITLE", "Foghorn") in read_flac_metadata(path).comments
    imprint = read_imprint(path)
    assert imprint.embedded is not None
    assert (imprint.embedded.root_key, imprint.embedded.loop_end_frame) == (57, 2_000)


@given(st.binary(max_size=200))
def test_a_damaged_flac_tells_what_is_there(tmp_path_factory, body):
    path = tmp_path_factory.mktemp("flac") / "a.flac"
    path.write_bytes(b"fLaC" + body)
    read_flac_metadata(path)


def test_other_files_say_nothing(tmp_path):
    path = tmp_path / "a.bin"
    path.write_bytes(b"nothing at all")
    assert read_wav_texts(path) == SampleTexts()
    assert read_aiff_chunks(path) == {}
    assert read_imprint(path).embedded is None


def test_rewriting_a_chunk_leaves_audio_and_other_chunks_alone(tmp_path):
    path = _wav(tmp_path / "a.wav", smpl=SMPL, LIST=b"INFO" + _sub(b"INAM", b"odd\0"), odd_=b"abc")
    before = soundfile.read(path)[0]
    other = SMPL[:12] + struct.pack("<I", 60) + SMPL[16:]
    rewrite_chunks(path, {"smpl": other})
    assert (soundfile.read(path)[0] == before).all()
    hints = read_embedded_hints(path)
    assert hints is not None
    assert hints.root_key == 60
    assert read_wav_texts(path).tags == (("INAM", "odd"),)
    content = path.read_bytes()
    assert content.count(b"smpl") == 1
    assert content.index(b"smpl") < content.index(b"data")
    assert struct.unpack("<I", content[4:8])[0] == len(content) - 8
