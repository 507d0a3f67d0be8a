"""What of somebody's folders can be packed, and what packing mends by itself."""

import shutil
import zipfile

import pytest

from keymapper.errors import InputError
from keymapper.packing.findings import stopping
from keymapper.pipeline.packing import PackSettings, first_pack_recipe, make_pack
from tests.packing.conftest import pack_recipe

OWN = [{"what": "all", "rights": "own"}]
ZONE = "<region> key=60 pitch_keycenter=60 ampeg_release=0.2 loop_mode=no_loop sample="


def lantern_sample(shelf):
    return sorted((shelf / "Lantern" / "samples").iterdir())[0]


def packed(base, target, *folders, **changes):
    instruments = [{"folder": folder, "sources": OWN} for folder in folders]
    recipe = pack_recipe(instrument=instruments, **changes)
    return make_pack(recipe, base, target, PackSettings(workers=1))


@pytest.fixture
def pair(shelf, tmp_path):
    """A folder with two instruments that share a sample, each with one of its own."""
    for name in ("both", "soft", "loud"):
        (tmp_path / "Reed").mkdir(exist_ok=True)
        shutil.copy(lantern_sample(shelf), tmp_path / "Reed" / f"{name}.wav")
    for name in ("Soft", "Loud"):
        own = f"{ZONE}{name.lower()}.wav lokey=61 hikey=61\n"
        (tmp_path / "Reed" / f"{name}.sfz").write_text(f"{ZONE}both.wav\n{own}")
    return tmp_path


def test_several_instruments_of_a_folder_are_packed_by_their_files(pair):
    result = packed(pair, pair / "o", "Reed/Soft.sfz", "Reed/Loud.sfz")
    assert "file-unused" not in {one.rule for one in result.findings}
    with zipfile.ZipFile(pair / "o" / "Quiet_Pier-1.0.zip") as archive:
        names = {name.partition("instruments/")[2] for name in archive.namelist()}
    assert {"Soft/samples/both.wav", "Soft/samples/soft.wav", "Loud/samples/loud.wav"} <= names
    assert "Soft/samples/loud.wav" not in names


def test_a_first_recipe_names_each_of_them(pair):
    text = first_pack_recipe(pair, pair)
    assert 'folder = "Reed/Soft.sfz"' in text
    assert 'folder = "Reed/Loud.sfz"' in text


def test_names_that_packing_mends_do_not_stop_it(shelf, tmp_path):
    folder = tmp_path / "Case"
    for name in ("Tone.wav", "tone.wav", "NUL.wav"):
        (folder / "Wav").mkdir(parents=True, exist_ok=True)
        shutil.copy(lantern_sample(shelf), folder / "Wav" / name)
    zones = [f"{ZONE}Wav\\{name}\n" for name in ("Tone.wav", "tone.wav", "nul.WAV")]
    (folder / "Case.sfz").write_text("".join(zones))
    waiver = [{"rule": rule, "reason": "a test"} for rule in ("file-duplicate-audio", "level",
              "loop", "map", "tuning", "proof", "stereo", "edge")]  # fmt: skip
    result = packed(tmp_path, tmp_path / "o", "Case", waiver=waiver)
    assert [one for one in stopping(result.findings) if one.rule != "waiver-unused"] == []
    with zipfile.ZipFile(tmp_path / "o" / "Quiet_Pier-1.0.zip") as archive:
        sfz = archive.read("Quiet_Pier-1.0/instruments/Case/Case.sfz").decode()
    assert "\\" not in sfz
    assert "/nul." not in sfz.lower()


def test_what_packing_cannot_mend_is_still_told(shelf, tmp_path):
    (tmp_path / "A").mkdir()
    shutil.copy(lantern_sample(shelf), tmp_path / "A" / "a.wav")
    (tmp_path / "A" / "A.sfz").write_text(f"{ZONE}a.wav\nfil_type=lpf_2p\n")
    result = packed(tmp_path, tmp_path / "o", "A", waiver=[])
    assert "sfz-portability" in {one.rule for one in result.findings}


def test_an_instrument_further_down_is_not_made_anew_unasked(shelf, tmp_path):
    (tmp_path / "Up" / "SFZ").mkdir(parents=True)
    shutil.copy(lantern_sample(shelf), tmp_path / "Up" / "C4.wav")
    (tmp_path / "Up" / "SFZ" / "Up.sfz").write_text(f"{ZONE}../C4.wav\n")
    with pytest.raises(InputError, match=r"SFZ/Up\.sfz"):
        packed(tmp_path, tmp_path / "o", "Up")
    (tmp_path / "Up" / "recipe.toml").write_text('name = "Anew"\n')
    assert packed(tmp_path, tmp_path / "o", "Up").editions
