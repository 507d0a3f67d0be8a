"""What is written into samples, read back by independent readers."""

import struct
from dataclasses import replace

import numpy as np
import pytest
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st
from lxml import etree
from mutagen.flac import FLAC
from wavinfo import WavInfoReader

from keymapper.errors import InputError, OutputError
from keymapper.formats.audio_file import read_audio_info
from keymapper.formats.file_parts import parts_size, read_parts
from keymapper.formats.wav_chunks import read_chunk, read_embedded_hints, read_wav_layout
from keymapper.formats.wav_texts import read_wav_texts
from keymapper.model.loop import Loop
from keymapper.model.loudness import Loudness
from keymapper.model.pack import SoundSource
from keymapper.packing.metadata import (
    SOFTWARE,
    SampleLabel,
    labelled_sample,
    pack_label,
    source_label,
)
from tests.packing.conftest import pack_recipe

LABEL = SampleLabel(
    title="Lantern C4",
    product="Quiet Pier 1.0",
    maker="Zoë & <Sons>",
    copyright="© 2026 Zoë & <Sons>",
    licence="CC0-1.0",
    date="2026-11-25",
    contact="pier@example.org",
    root_key=60,
    tuning_cents=3.2,
    loop=Loop(start_frame=100, end_frame=900),
    keys=(58, 62),
    velocities=(1, 127),
)
LOUDNESS = Loudness(
    integrated_lufs=-17.25,
    range_lu=3.0,
    true_peak_dbtp=-2.51,
    momentary_lufs=-15.0,
    short_term_lufs=None,
)


def write_source(path, chunks=(), *, bits=24, channels=2, **how):
    sound = np.random.default_rng(3).uniform(-0.5, 0.5, (1000, channels))
    soundfile.write(path, sound, 48_000, subtype=f"PCM_{bits}", **how)
    if chunks:
        content = path.read_bytes()
        more = b"".join(
            name + struct.pack("<I", len(body)) + body + b"\0" * (len(body) & 1)
            for name, body in chunks
        )
        whole = content[8:] + more
        path.write_bytes(b"RIFF" + struct.pack("<I", len(whole)) + whole)


def labelled(path, label=LABEL, loudness=LOUDNESS):
    parts = labelled_sample(path, read_audio_info(path), label, loudness)
    target = path.with_name(f"labelled{path.suffix}")
    target.write_bytes(b"".join(read_parts(parts)))
    assert target.stat().st_size == parts_size(parts)
    return target


@pytest.fixture
def wav(tmp_path):
    write_source(tmp_path / "a.wav")
    return labelled(tmp_path / "a.wav")


def test_the_audio_stays_as_it_is(wav):
    before = soundfile.read(wav.with_name("a.wav"), dtype="int32")[0]
    np.testing.assert_array_equal(soundfile.read(wav, dtype="int32")[0], before)


def test_info_is_read_by_others(wav):
    info = WavInfoReader(str(wav), info_encoding="utf-8").info
    assert info.title == "Lantern C4"
    assert info.product == "Quiet Pier 1.0"
    assert info.artist == "Zoë & <Sons>"
    assert "CC0-1.0" in info.copyright
    assert info.created_date == "2026-11-25"
    assert info.software == SOFTWARE
    assert "root 60 (C4), +3.2 cents, loop 100 to 899" in info.comment


def test_bext_is_read_by_others(wav):
    bext = WavInfoReader(str(wav)).bext
    assert bext.version == 2
    assert bext.description.startswith("Lantern C4: root 60")
    assert bext.originator == "Zoe & <Sons>"
    assert bext.originator_date == "2026-11-25"
    assert bext.coding_history.strip() == f"A=PCM,F=48000,W=24,M=stereo,T={SOFTWARE}"
    assert bext.loudness_value == pytest.approx(-17.25)
    assert bext.loudness_range == pytest.approx(3.0)
    assert bext.max_true_peak == pytest.approx(-2.51)
    assert bext.max_momentary_loudness == pytest.approx(-15.0)
    assert bext.max_shortterm_loudness == pytest.approx(327.67), "not measured"


def test_ixml_is_read_by_others(wav):
    ixml = WavInfoReader(str(wav)).ixml
    assert ixml.project == "Quiet Pier 1.0"
    assert [track.name for track in ixml.track_list] == ["Left", "Right"]
    assert dict(read_wav_texts(wav).tags)["iXML USER"].startswith("maker=Zoë & <Sons>; ")


def test_root_and_loop_are_read_by_others(wav):
    smpl = WavInfoReader(str(wav)).smpl
    assert smpl.midi_note == 60
    assert [(one.start, one.end) for one in smpl.sample_loops] == [(100, 899)]
    hints = read_embedded_hints(wav)
    assert (hints.loop_start_frame, hints.loop_end_frame) == (100, 900)
    assert (hints.low_key, hints.high_key) == (58, 62)


def bodies(path):
    return {place.id: read_chunk(path, place) for place in read_wav_layout(path).chunks}


def test_chunks_of_others_are_kept(tmp_path):
    strange = [(b"aXml", b"<keep/>"), (b"Zz9 ", b"odd"), (b"cue ", struct.pack("<I", 0))]
    labels = b"adtl" + b"labl" + struct.pack("<II", 6, 1) + b"a\0"
    write_source(tmp_path / "a.wav", [*strange, (b"LIST", labels)])
    found = read_wav_layout(labelled(tmp_path / "a.wav"))
    kept = {place.id: read_chunk(tmp_path / "labelled.wav", place) for place in found.chunks
            if place.id in ("aXml", "Zz9 ", "cue ")}  # fmt: skip
    assert kept == {name.decode(): body for name, body in strange}
    lists = [read_chunk(tmp_path / "labelled.wav", place) for place in found.chunks
             if place.id == "LIST"]  # fmt: skip
    assert labels in lists
    assert len(lists) == 2


def test_what_others_wrote_into_known_chunks_is_kept(tmp_path):
    bext = struct.pack(
        "<256s32s32s10s8sQH64s190x", b"old", b"old", b"ref", b"2020-01-02", b"03:04:05", 77, 1,
        b"u" * 64,
    ) + b"A=ANALOGUE,T=tape\r\n"  # fmt: skip
    info = b"INFOIKEY" + struct.pack("<I", 4) + b"fog\0" + b"INAM" + struct.pack("<I", 4) + b"old\0"
    ixml = b"<BWFXML><SCENE>dusk</SCENE><PROJECT>old</PROJECT></BWFXML>"
    write_source(tmp_path / "a.wav", [(b"bext", bext), (b"LIST", info), (b"iXML", ixml)])
    target = labelled(tmp_path / "a.wav")
    read = WavInfoReader(str(target))
    assert read.bext.originator_date == "2020-01-02"
    assert read.bext.originator_time == "03:04:05"
    assert read.bext.time_reference == 77
    assert bodies(target)["bext"][348:412] == b"u" * 64
    assert read.bext.coding_history.startswith("A=ANALOGUE,T=tape\r\nA=PCM")
    assert read.bext.description.startswith("Lantern")
    assert read.info.keywords == "fog"
    assert read.info.title == "Lantern C4"
    tags = dict(read_wav_texts(target).tags)
    assert tags["iXML SCENE"] == "dusk"
    assert tags["iXML PROJECT"] == "Quiet Pier 1.0"


def test_a_second_time_changes_nothing(wav):
    again = labelled(wav)
    assert again.read_bytes() == wav.read_bytes()


def test_smpl_of_others_stays_where_it_says_the_same(tmp_path):
    write_source(tmp_path / "a.wav")
    first = labelled(tmp_path / "a.wav")
    content = bytearray(first.read_bytes())
    place = content.index(b"smpl") + 8
    content[place : place + 4] = struct.pack("<I", 0x1234)
    (tmp_path / "b.wav").write_bytes(content)
    kept = labelled(tmp_path / "b.wav")
    assert bodies(kept)["smpl"][:4] == struct.pack("<I", 0x1234)
    moved = labelled(tmp_path / "b.wav", replace(LABEL, loop=Loop(start_frame=50, end_frame=900)))
    assert read_embedded_hints(moved).loop_start_frame == 50


def test_a_hostile_ixml_is_written_anew(tmp_path):
    bomb = (
        b'<!DOCTYPE x [<!ENTITY a SYSTEM "file:///etc/passwd">]><BWFXML><NOTE>&a;</NOTE></BWFXML>'
    )
    write_source(tmp_path / "a.wav", [(b"iXML", bomb)])
    body = bodies(labelled(tmp_path / "a.wav"))["iXML"]
    assert b"DOCTYPE" not in body
    assert b"root:" not in body
    assert etree.fromstring(body).findtext("PROJECT") == "Quiet Pier 1.0"


@settings(max_examples=60, deadline=None)
@given(st.text(max_size=60), st.text(max_size=60))
def test_any_text_goes_in_and_stays_text(tmp_path_factory, maker, title):
    folder = tmp_path_factory.mktemp("t")
    write_source(folder / "a.wav")
    label = replace(LABEL, maker=maker, title=title)
    body = bodies(labelled(folder / "a.wav", label))["iXML"]
    root = etree.fromstring(body)
    assert {child.tag for child in root} == {
        "IXML_VERSION", "PROJECT", "NOTE", "USER", "TRACK_LIST",
    }  # fmt: skip
    assert WavInfoReader(str(folder / "labelled.wav")).bext.version == 2


def test_flac_comments_are_read_by_others(tmp_path):
    write_source(tmp_path / "a.flac", format="FLAC")
    before = FLAC(tmp_path / "a.flac")
    before["MOOD"] = "foggy"
    before["TITLE"] = "old"
    before.save()
    target = labelled(tmp_path / "a.flac")
    tags = FLAC(target)
    assert tags["TITLE"] == ["Lantern C4"]
    assert tags["LICENSE"] == ["CC0-1.0"]
    assert tags["ROOT_KEY"] == ["60"]
    assert (tags["LOOP_START"], tags["LOOP_LENGTH"]) == (["100"], ["800"])
    assert tags["MOOD"] == ["foggy"]
    assert tags.info.md5_signature == before.info.md5_signature
    audio = [soundfile.read(path, dtype="int32")[0] for path in (tmp_path / "a.flac", target)]
    np.testing.assert_array_equal(*audio)
    assert labelled(target).read_bytes() == target.read_bytes()


def test_what_carries_no_labels_is_refused(tmp_path):
    write_source(tmp_path / "a.aiff", format="AIFF")
    with pytest.raises(OutputError, match="only WAV and FLAC"):
        labelled(tmp_path / "a.aiff")


def test_a_file_that_shrinks_meanwhile_is_told(tmp_path):
    write_source(tmp_path / "a.wav")
    parts = labelled_sample(tmp_path / "a.wav", read_audio_info(tmp_path / "a.wav"), LABEL, None)
    (tmp_path / "a.wav").write_bytes(b"")
    with pytest.raises(InputError, match="became shorter"):
        list(read_parts(parts))


def test_a_sample_names_the_credit_and_licence_of_its_source():
    recipe = pack_recipe()
    own = SoundSource(what="all", rights="own")
    credited = SoundSource(what="the loud ones", rights="CC-BY-4.0", credit="Mira Holm")
    nameless = SoundSource(what="field tapes", rights="CC0-1.0")
    assert source_label(recipe, (own,)) == pack_label(recipe)
    foreign = source_label(recipe, (credited,))
    assert (foreign["maker"], foreign["copyright"]) == ("Mira Holm", "Mira Holm")
    assert foreign["licence"] == "CC-BY-4.0"
    mixed = source_label(recipe, (own, credited))
    assert mixed["copyright"] == "© 2026 Zoë & <Sons>; Mira Holm"
    assert mixed["licence"] == "CC0-1.0 AND CC-BY-4.0"
    assert source_label(recipe, (nameless,))["copyright"] == "source: field tapes"
