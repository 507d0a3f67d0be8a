"""What a pack writes into samples about the key they sound."""

import pytest
import soundfile

from keymapper.formats.wav_chunks import SampleChunks, smpl_body
from keymapper.model.pack import DeclaredInstrument
from keymapper.packing.instrument import ready_instrument, sample_labels
from tests.packing.conftest import pack_recipe
from tests.packing.test_metadata import write_source

FILE_SAYS = SampleChunks(
    root_key=36,
    tuning_cents=30.0,
    loop=None,
    low_key=0,
    high_key=127,
    low_velocity=1,
    high_velocity=127,
    info={},
)


@pytest.mark.parametrize(
    ("zone", "root_key", "tuning_cents"),
    [
        ("pitch_keycenter=36", 36, 0.0),
        ("pitch_keycenter=36 tune=-12", 36, 12.0),
        ("pitch_keycenter=36 tune=12", 36, -12.0),
        ("pitch_keycenter=24 transpose=-12", 36, 0.0),
        ("pitch_keycenter=39 tune=300", 36, 0.0),
        ("pitch_keycenter=49 transpose=13 tune=-120", 37, 20.0),
        ("pitch_keycenter=36 tune=80", 35, 20.0),
        ("pitch_keycenter=sample", 36, 30.0),
        ("pitch_keycenter=sample tune=-30", 36, 30.0),
    ],
)
def test_a_sample_is_labelled_with_the_key_it_sounds(tmp_path, zone, root_key, tuning_cents):
    write_source(tmp_path / "a.wav", [(b"smpl", smpl_body(FILE_SAYS, 48_000))])
    (tmp_path / "A.sfz").write_text(f"<region> sample=a.wav lokey=30 hikey=42 {zone}\n")
    declared = DeclaredInstrument(folder="A")
    ready = ready_instrument(tmp_path, declared, "A")
    (label,) = sample_labels(ready, pack_recipe()).values()
    assert label.root_key == root_key
    assert label.tuning_cents == pytest.approx(tuning_cents, abs=0.01)
    assert label.title == f"A {'B1' if root_key == 35 else 'C#2' if root_key == 37 else 'C2'}"


def test_a_root_that_neither_zone_nor_file_names_is_middle_c(tmp_path):
    soundfile.write(tmp_path / "a.wav", [0.0] * 100, 48_000)
    (tmp_path / "A.sfz").write_text("<region> sample=a.wav pitch_keycenter=sample\n")
    ready = ready_instrument(tmp_path, DeclaredInstrument(folder="A"), "A")
    (label,) = sample_labels(ready, pack_recipe()).values()
    assert (label.root_key, label.tuning_cents) == (60, 0.0)
