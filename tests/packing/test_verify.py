"""A pack is verified as a buyer would receive it."""

import hashlib
import json
import shutil
import zipfile

import numpy as np
import pytest
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st

from keymapper.errors import InputError
from keymapper.formats.wav_chunks import pcm_bytes, read_wav_layout
from keymapper.model.proof import ProofLimits
from keymapper.packing.archive import PackContent, PackWriter
from keymapper.packing.findings import stopping
from keymapper.pipeline.packing import PackSettings, verify_pack
from keymapper.proving.proof import ProofSettings, prove_instrument

TOP = "Quiet_Pier-1.0-full"
SETTINGS = PackSettings(workers=1)


@pytest.fixture(scope="module")
def archive(made):
    return made[1] / f"{TOP}.zip"


@pytest.fixture
def unpacked(archive, tmp_path):
    with zipfile.ZipFile(archive) as opened:
        opened.extractall(tmp_path)
    return tmp_path / TOP


def rules(path):
    return {one.rule for one in stopping(verify_pack(path, SETTINGS).findings)}


def summed(folder):
    """Write the checksums anew: a pack changed by somebody who knows how."""
    manifest = json.loads((folder / "pack.json").read_text(encoding="utf-8"))
    files = sorted(
        path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file()
    )
    digests = {
        file: hashlib.sha256((folder / file).read_bytes()).hexdigest()
        for file in files
        if file not in ("pack.json", "SHA256SUMS")
    }
    manifest["files"] = [
        {"file": file, "size": (folder / file).stat().st_size, "sha256": digest}
        for file, digest in digests.items()
    ]
    (folder / "pack.json").write_text(json.dumps(manifest), encoding="utf-8")
    digests["pack.json"] = hashlib.sha256((folder / "pack.json").read_bytes()).hexdigest()
    lines = [f"{digests[file]}  {file}\n" for file in sorted(digests)]
    (folder / "SHA256SUMS").write_text("".join(lines), encoding="utf-8")
    return folder


def test_what_a_manifest_says_of_a_join_is_not_believed(unpacked):
    """Somebody who knows how could put any figure, and the sum of any file, into it."""
    path = unpacked / "instruments" / "Lantern" / "manifest.json"
    manifest = json.loads(path.read_text(encoding="utf-8"))
    sample = manifest["notes"][0]["sample"]
    audio = path.parent / sample["file"]
    loop = slice(sample["loop"]["start_frame"], sample["loop"]["end_frame"])
    pcm, _ = soundfile.read(audio, dtype="int32", always_2d=True)
    swelling = np.linspace(0.5, 1, loop.stop - loop.start)[:, None]
    pcm[loop] = (pcm[loop] * swelling).astype(np.int32)
    (place,) = [one for one in read_wav_layout(audio).chunks if one.id == "data"]
    with audio.open("r+b") as file:
        file.seek(place.offset)
        file.write(pcm_bytes(pcm >> 8, 24))
    sample["sha256"] = hashlib.sha256(audio.read_bytes()).hexdigest()
    path.write_text(json.dumps(manifest), encoding="utf-8")
    proof = prove_instrument(path.parent, ProofSettings(limits=ProofLimits()))
    assert "proof-join" not in {one.rule for one in proof.findings}
    assert "proof-join" in rules(summed(unpacked))


def test_what_was_made_is_fit_to_sell(archive, unpacked):
    assert rules(archive) == set()
    assert rules(unpacked) == set()
    assert rules(summed(unpacked)) == set()


def test_a_byte_changed_in_the_archive_is_found(archive, tmp_path):
    size = archive.stat().st_size
    for place in (0, 40, size // 3, size // 2, size - 400, size - 10, size - 1):
        content = bytearray(archive.read_bytes())
        content[place] ^= 4
        (tmp_path / "changed.zip").write_bytes(content)
        found = verify_pack(tmp_path / "changed.zip", SETTINGS)
        assert stopping(found.findings), place


@settings(max_examples=40, deadline=None)
@given(st.data())
def test_any_byte_changed_in_a_real_pack_is_found(archive, tmp_path_factory, data):
    content = bytearray(archive.read_bytes())
    content[data.draw(st.integers(0, len(content) - 1))] ^= data.draw(st.integers(1, 255))
    changed = tmp_path_factory.mktemp("t") / "changed.zip"
    changed.write_bytes(content)
    assert stopping(verify_pack(changed, SETTINGS).findings)


def test_an_archive_made_by_another_program_is_no_pack_of_ours(unpacked, tmp_path):
    made = shutil.make_archive(str(tmp_path / "other"), "zip", unpacked.parent, TOP)
    assert "archive-form" in rules(tmp_path / made)


def test_an_unpacked_pack_may_be_archived_again_by_our_writer(unpacked, tmp_path):
    order = [line.split("  ")[1] for line in (unpacked / "SHA256SUMS").read_text().splitlines()]
    with (tmp_path / "again.zip").open("wb") as file, PackWriter(file, TOP) as writer:
        for name in order:
            writer.add(PackContent(file=name, parts=((unpacked / name).read_bytes(),)))
        writer.finish()
    assert rules(tmp_path / "again.zip") == set()


def test_a_sample_that_is_gone_is_found(unpacked):
    sample = next((unpacked / "instruments" / "Lantern" / "samples").iterdir())
    sample.unlink()
    assert "file-missing" in rules(unpacked)
    assert "reference-missing" in rules(summed(unpacked))


def test_a_sample_that_nothing_plays_is_found(unpacked):
    samples = unpacked / "instruments" / "Lantern" / "samples"
    shutil.copy(next(samples.iterdir()), samples / "extra.wav")
    assert "reference-unused" in rules(summed(unpacked))


def test_clutter_and_unsafe_names_are_found(unpacked):
    (unpacked / "Thumbs (2).db").write_bytes(b"x")
    assert "file-unknown" in rules(unpacked)
    assert rules(summed(unpacked)) == {"file-name"}


def test_a_document_that_is_gone_is_found(unpacked):
    (unpacked / "booklet.html").unlink()
    assert rules(summed(unpacked)) == {"pack-document"}


def test_a_root_key_changed_in_the_instrument_is_found(unpacked):
    sfz = unpacked / "instruments" / "Lantern" / "Lantern.sfz"
    text = sfz.read_text().replace("pitch_keycenter=60", "pitch_keycenter=61")
    sfz.write_text(text)
    assert rules(summed(unpacked)) == {"metadata-differs"}


def test_a_sample_without_labels_is_found(unpacked, shelf):
    sample = next(iter(sorted((unpacked / "instruments" / "Lantern" / "samples").iterdir())))
    shutil.copy(shelf / "Lantern" / "samples" / sample.name, sample)
    assert rules(summed(unpacked)) == {"metadata-missing"}


def test_an_instrument_made_worse_is_found_by_the_proof(unpacked):
    sfz = unpacked / "instruments" / "Lantern" / "Lantern.sfz"
    lines = [
        "tune=40" if line.startswith("tune=") else line for line in sfz.read_text().split("\n")
    ]
    sfz.write_text("\n".join(lines))
    (unpacked / "instruments" / "Lantern" / "manifest.json").unlink()
    assert rules(summed(unpacked)) & {"proof-wrong-key", "tuning-off", "proof-tuning"}


@pytest.mark.parametrize(
    "content",
    ["", "[]", "{", '{"format": "keymapper-pack", "format_version": 2}', '{"format": "other"}',
     '{"format": "keymapper-pack", "format_version": 1}', "[" * 100_000],
)  # fmt: skip
def test_a_manifest_that_is_none_is_one_finding(unpacked, content):
    (unpacked / "pack.json").write_text(content)
    digest = hashlib.sha256(content.encode()).hexdigest()
    lines = [
        f"{digest}  pack.json" if line.endswith("  pack.json") else line
        for line in (unpacked / "SHA256SUMS").read_text().split("\n")
    ]
    (unpacked / "SHA256SUMS").write_text("\n".join(lines))
    assert rules(unpacked) == {"pack-manifest"}


def test_a_manifest_that_names_files_outside_opens_none_of_them(unpacked):
    path = unpacked / "pack.json"
    manifest = json.loads(path.read_text(encoding="utf-8"))
    manifest["instruments"][0]["sfz"] = "../../../etc/passwd"
    path.write_text(json.dumps(manifest), encoding="utf-8")
    assert "file-missing" in rules(summed(unpacked))


@pytest.mark.parametrize(
    ("name", "value"), [("title", ""), ("instruments", []), ("year", 1), ("licence", "a b")]
)
def test_a_manifest_that_declares_nonsense_is_one_finding(unpacked, name, value):
    path = unpacked / "pack.json"
    manifest = json.loads(path.read_text(encoding="utf-8"))
    manifest[name] = value
    path.write_text(json.dumps(manifest), encoding="utf-8")
    assert rules(summed(unpacked)) == {"pack-manifest"}


def test_an_instrument_that_cannot_be_played_is_found(unpacked):
    for sample in (unpacked / "instruments" / "Lantern" / "samples").iterdir():
        sample.write_bytes(sample.read_bytes()[:44])
    assert "reference-missing" in rules(summed(unpacked))


def test_the_folder_of_archives_is_told_from_a_pack(made):
    found = verify_pack(made[1], SETTINGS)
    assert any("name an archive" in one.message for one in found.findings)


def test_nothing_there_is_an_input_error(tmp_path):
    with pytest.raises(InputError, match="no such"):
        verify_pack(tmp_path / "gone.zip", SETTINGS)


def test_verifying_leaves_the_pack_and_nothing_else(archive, unpacked, tmp_path, monkeypatch):
    before = sorted(tmp_path.rglob("*"))
    monkeypatch.setenv("TMPDIR", str(tmp_path / "tmp"))
    verify_pack(unpacked, SETTINGS)
    assert sorted(tmp_path.rglob("*")) == before
