"""Names in the pack: every system takes them, and no two are alike."""

import unicodedata

from hypothesis import given
from hypothesis import strategies as st

from keymapper.auditing.rules.file_names import unsafe_reason
from keymapper.packing.names import LONGEST_PATH, folder_names, sample_names, top_folder

part = st.text(min_size=1, max_size=80).filter(lambda text: "/" not in text and "\0" not in text)
path = st.lists(part, min_size=1, max_size=4).map("/".join)


@given(st.lists(path, max_size=12, unique=True))
def test_samples_get_safe_names_all_different(files):
    names = sample_names([f"{file}.WAV" for file in files])
    assert len(names) == len(files)
    folded = {unicodedata.normalize("NFC", name).casefold() for name in names.values()}
    assert len(folded) == len(files)
    for name in names.values():
        assert name.isascii()
        assert name.endswith(".wav")
        assert name.startswith("samples/")
        assert not any(unsafe_reason(one) for one in name.split("/"))


@given(part, part, part, part)
def test_no_path_is_too_long(title, edition, instrument, sample):
    top = top_folder(title * 9, "1.2.3", edition * 9)
    folder = folder_names([instrument * 9])[0]
    inner = sample_names([f"{sample * 9}/{sample * 9}.flac"])[f"{sample * 9}/{sample * 9}.flac"]
    whole = f"{top}/instruments/{folder}/{inner}"
    assert len(whole) <= LONGEST_PATH
    assert not any(unsafe_reason(one) for one in whole.split("/"))


def test_safe_names_stay():
    assert sample_names(["samples/pier_060_C4.wav"]) == {
        "samples/pier_060_C4.wav": "samples/pier_060_C4.wav"
    }


def test_a_folder_of_samples_is_not_doubled_whatever_its_case():
    assert sample_names(["Samples/X.wav", "SAMPLES/loud/Y.wav"]) == {
        "Samples/X.wav": "samples/X.wav",
        "SAMPLES/loud/Y.wav": "samples/loud/Y.wav",
    }


def test_the_stated_rule():
    names = sample_names(["Töne/Lamp #1.wav", "tone/lamp s1.wav", "CON.wav", "x/CON.wav"])
    assert names["Töne/Lamp #1.wav"] == "samples/Tone/Lamp_1.wav"
    assert names["CON.wav"] == "samples/_CON.wav"
    assert names["x/CON.wav"] == "samples/x/_CON.wav"


def test_no_instrument_takes_the_name_of_the_medley():
    assert folder_names(["Medley", "Lamp", "lamp"]) == ("Medley_2", "Lamp", "lamp_2")


def test_clashes_get_numbers():
    names = sample_names(["a/Ö.wav", "a/O.wav", "A/o.wav"])
    assert sorted(names.values()) == ["samples/A/o.wav", "samples/a/O_2.wav", "samples/a/O_3.wav"]


def test_the_top_folder_names_title_version_and_edition():
    assert top_folder("Quiet Pier", "1.0", None) == "Quiet_Pier-1.0"
    assert top_folder("Quiet Pier", "1.0", "light") == "Quiet_Pier-1.0-light"
    assert top_folder("..", "1.", "../x") == "pack-1-x"


def test_a_name_that_is_safe_already_is_given_out_first():
    files = ["a b.wav", "a_b.wav", "a-b.WAV"]
    found = sample_names(files)
    assert found["a_b.wav"] == "samples/a_b.wav"
    assert len(set(found.values())) == len(files)
    assert list(found) == sorted(files)
