"""Files in parts: what is not replaced stays, and nothing is read twice."""

import struct

import numpy as np
import pytest
import soundfile
from hypothesis import given
from hypothesis import strategies as st

from keymapper.errors import InputError, OutputError
from keymapper.formats.file_parts import FileStretch, parts_size, read_parts, whole_file
from keymapper.formats.flac_rewrite import rewritten_flac, vorbis_comments
from keymapper.formats.wav_chunks import read_chunk, read_wav_layout
from keymapper.formats.wav_rewrite import rewritten_wav

identity = st.text("abcdefgh_ XYZ", min_size=4, max_size=4).filter(
    lambda name: name not in ("data", "fmt ")
)


def wav(path, chunks=(), frames=7):
    soundfile.write(path, np.linspace(-0.5, 0.5, frames)[:, np.newaxis], 48_000, subtype="PCM_24")
    more = b"".join(
        name.encode() + struct.pack("<I", len(body)) + body + b"\0" * (len(body) & 1)
        for name, body in chunks
    )
    whole = path.read_bytes()[8:] + more
    path.write_bytes(b"RIFF" + struct.pack("<I", len(whole)) + whole)
    return path


def chunks_of(path):
    return [(place.id, read_chunk(path, place)) for place in read_wav_layout(path).chunks]


@given(
    st.lists(st.tuples(identity, st.binary(max_size=30)), max_size=6),
    st.dictionaries(identity, st.binary(max_size=30), max_size=4),
)
def test_all_other_chunks_stay_in_their_order(tmp_path_factory, present, new):
    folder = tmp_path_factory.mktemp("w")
    source = wav(folder / "a.wav", present)
    parts = rewritten_wav(source, new)
    (folder / "b.wav").write_bytes(b"".join(read_parts(parts)))
    before, after = chunks_of(source), chunks_of(folder / "b.wav")
    assert [one for one in after if one[0] not in new] == [
        one for one in before if one[0] not in new
    ]
    assert {name: body for name, body in after if name in new} == new
    assert (folder / "b.wav").stat().st_size == parts_size(parts)
    audio = [soundfile.read(folder / name, dtype="int32")[0] for name in ("a.wav", "b.wav")]
    np.testing.assert_array_equal(*audio)


def test_an_rf64_is_refused(tmp_path):
    path = wav(tmp_path / "a.wav")
    path.write_bytes(b"RF64" + path.read_bytes()[4:])
    with pytest.raises(OutputError, match="RF64"):
        rewritten_wav(path, {})


def test_what_is_no_wav_is_refused(tmp_path):
    (tmp_path / "a.wav").write_bytes(b"no")
    with pytest.raises(InputError, match="not a WAV"):
        rewritten_wav(tmp_path / "a.wav", {})


@pytest.mark.parametrize("content", [b"", b"fLaC", b"fLaC\x00\xff\xff\xff", b"RIFF"])
def test_what_is_no_flac_is_refused(tmp_path, content):
    (tmp_path / "a.flac").write_bytes(content)
    with pytest.raises(InputError):
        rewritten_flac(tmp_path / "a.flac", {}, "test")


def test_comments_are_counted_and_measured():
    body = vorbis_comments("ü", [("A", "b"), ("C", "ä")])
    assert body == (b"\2\0\0\0\xc3\xbc" + b"\2\0\0\0" + b"\3\0\0\0A=b" + b"\4\0\0\0C=\xc3\xa4")


def test_parts_are_read_in_blocks(tmp_path):
    (tmp_path / "large").write_bytes(bytes(3_000_000))
    parts = (b"head", whole_file(tmp_path / "large"), b"tail")
    blocks = list(read_parts(parts))
    assert max(map(len, blocks)) <= 1 << 20
    assert sum(map(len, blocks)) == parts_size(parts) == 3_000_008


def test_a_file_that_is_gone_is_an_input_error(tmp_path):
    with pytest.raises(InputError, match="cannot be read"):
        list(read_parts((FileStretch(path=tmp_path / "gone", offset=0, size=1),)))
