"""From built instruments to archives: what is in them, and when none is made."""

import hashlib
import json
import re
import shutil
import zipfile

import jsonschema
import numpy as np
import pytest
import soundfile

from keymapper.errors import InputError, OutputError
from keymapper.formats.manifest import read_manifest
from keymapper.formats.schemas import schema_text
from keymapper.formats.sfz import parse_sfz
from keymapper.packing.findings import stopping
from keymapper.packing.writing import write_edition
from keymapper.pipeline.packing import PackSettings, make_pack, verify_pack
from tests.packing.conftest import WAIVERS, pack_recipe

FULL, LIGHT = "Quiet_Pier-1.0-full", "Quiet_Pier-1.0-light"


def content(target, edition, name):
    with zipfile.ZipFile(target / f"{edition}.zip") as archive:
        return archive.read(f"{edition}/{name}")


def test_an_archive_holds_what_a_buyer_needs(made):
    _, target = made
    with zipfile.ZipFile(target / f"{FULL}.zip") as archive:
        names = [name.removeprefix(f"{FULL}/") for name in archive.namelist()]
    assert {"booklet.html", "booklet.txt", "LICENSE.txt", "pack.json", "SHA256SUMS"} <= set(names)
    assert "instruments/Lantern/Lantern.sfz" in names
    assert "instruments/Lantern/manifest.json" in names
    assert {f"previews/{stem}.{suffix}" for stem in ("Lantern", "Knock", "medley")
            for suffix in ("flac", "ogg")} <= set(names)  # fmt: skip
    assert names[-1] == "SHA256SUMS"
    assert not any("report.html" in name or "proof.json" in name for name in names)


def test_checksums_are_those_of_the_files(made):
    _, target = made
    with zipfile.ZipFile(target / f"{FULL}.zip") as archive:
        sums = archive.read(f"{FULL}/SHA256SUMS").decode()
        for line in sums.splitlines():
            digest, file = line.split("  ")
            assert hashlib.sha256(archive.read(f"{FULL}/{file}")).hexdigest() == digest
        assert len(sums.splitlines()) == len(archive.namelist()) - 1
    outer = (target / "SHA256SUMS").read_text()
    digest = hashlib.sha256((target / f"{FULL}.zip").read_bytes()).hexdigest()
    assert f"{digest}  {FULL}.zip\n" in outer


def test_the_pack_manifest_fits_its_schema(made):
    _, target = made
    manifest = json.loads(content(target, FULL, "pack.json"))
    jsonschema.Draft202012Validator(json.loads(schema_text("pack"))).validate(manifest)
    assert manifest["rights_note"].count("no legal")
    assert [one["name"] for one in manifest["instruments"]] == ["Lantern", "Knock"]


def test_the_manifest_of_an_instrument_speaks_of_the_packed_samples(made):
    _, target = made
    manifest = read_manifest(
        content(target, FULL, "instruments/Lantern/manifest.json").decode(), ""
    )
    for note in manifest.notes:
        sample = content(target, FULL, f"instruments/Lantern/{note.sample.file}")
        assert hashlib.sha256(sample).hexdigest() == note.sample.sha256
    sfz = parse_sfz(content(target, FULL, "instruments/Lantern/Lantern.sfz").decode())
    assert [one.volume_db for one in sfz.regions] == pytest.approx(
        [zone.gain_db for zone in manifest.zones], abs=0.001
    )


def test_audio_is_not_touched(made, shelf, tmp_path):
    _, target = made
    for source in sorted((shelf / "Lantern" / "samples").iterdir()):
        packed = tmp_path / "packed.wav"
        packed.write_bytes(content(target, FULL, f"instruments/Lantern/samples/{source.name}"))
        before, after = soundfile.read(source, dtype="int32"), soundfile.read(packed, dtype="int32")
        np.testing.assert_array_equal(before[0], after[0])


def test_the_light_edition_is_smaller_and_complete(made, tmp_path):
    result, target = made
    full, light = result.editions
    assert light.size < full.size
    for packed in light.manifest.instruments:
        assert packed.facts.bits == (16,)
        assert packed.facts.channels == (1,)
    assert content(target, FULL, "previews/Lantern.ogg") == content(
        target, LIGHT, "previews/Lantern.ogg"
    )
    verified = verify_pack(target / f"{LIGHT}.zip", PackSettings(workers=1))
    assert stopping(verified.findings) == ()
    assert verified.manifest == light.manifest


def test_another_run_with_other_workers_gives_the_same_bytes(made, shelf, tmp_path):
    _, target = made
    editions = [{"name": "full"}, {"name": "light", "bits": 16, "mono": True}]
    make_pack(pack_recipe(edition=editions), shelf, tmp_path / "again", PackSettings(workers=2))
    for name in (f"{FULL}.zip", f"{LIGHT}.zip", "SHA256SUMS"):
        assert (tmp_path / "again" / name).read_bytes() == (target / name).read_bytes(), name


def test_instruments_are_evened(made):
    result, _ = made
    after = [
        one.preview.loudness_lufs + one.gain_db for one in result.editions[0].manifest.instruments
    ]
    assert after[0] == pytest.approx(after[1], abs=0.01)


@pytest.fixture(scope="module")
def mistuned(shelf, tmp_path_factory):
    """A folder with an instrument by hand, without manifest, that is 12 cents sharp."""
    folder = tmp_path_factory.mktemp("mistuned")
    place = folder / "Sharp one"
    shutil.copytree(shelf / "Lantern" / "samples", place / "Säge" / "mono")
    sample = sorted((place / "Säge" / "mono").iterdir())[0]
    (place / "Sharp one.sfz").write_text(
        f"<control> default_path=Säge/\n<group> sample=mono/{sample.name} volume=-6\n"
        "<region> lokey=60 hikey=61 pitch_keycenter=60 tune=12 ampeg_release=0.2\n",
        encoding="utf-8",
    )
    return folder


def sharp(**changes):
    own = [{"what": "all", "rights": "own"}]
    return pack_recipe(instrument=[{"folder": "Sharp one", "sources": own}], **changes)


def test_a_warning_that_is_not_waived_stops_the_pack(mistuned, tmp_path):
    result = make_pack(sharp(waiver=[]), mistuned, tmp_path / "o", PackSettings(workers=1))
    assert "proof-tuning" in [one.rule for one in stopping(result.findings)]
    assert not result.editions
    assert list(tmp_path.iterdir()) == []


def test_a_waiver_lets_it_through_and_is_printed(mistuned, tmp_path):
    result = make_pack(sharp(), mistuned, tmp_path / "o", PackSettings(workers=1))
    assert result.editions, result.findings
    archive = tmp_path / "o" / "Quiet_Pier-1.0.zip"
    for document in ("booklet.txt", "booklet.html"):
        with zipfile.ZipFile(archive) as opened:
            assert "made for a test" in opened.read(f"Quiet_Pier-1.0/{document}").decode()
    assert stopping(verify_pack(archive, PackSettings(workers=1)).findings) == ()


def test_names_are_made_safe_and_references_follow(mistuned, tmp_path):
    result = make_pack(sharp(), mistuned, tmp_path / "o", PackSettings(workers=1))
    with zipfile.ZipFile(tmp_path / "o" / "Quiet_Pier-1.0.zip") as archive:
        names = archive.namelist()
        sfz = archive.read("Quiet_Pier-1.0/instruments/Sharp_one/Sharp_one.sfz").decode()
    sample = next(name for name in names if name.endswith(".wav"))
    assert sample.startswith("Quiet_Pier-1.0/instruments/Sharp_one/samples/mono/")
    assert f"sample={sample.split('Sharp_one/')[1]}\n" in sfz
    assert "default_path" not in sfz
    assert "volume=-6" not in sfz or result.editions[0].manifest.instruments[0].gain_db == 0
    assert any("Säge" in before for before, _ in result.editions[0].manifest.renamed)


def test_recordings_are_built_first(shelf, tmp_path):
    own = [{"what": "all", "rights": "own"}]
    recipe = pack_recipe(instrument=[{"folder": "Lantern/samples", "sources": own}])
    result = make_pack(recipe, shelf, tmp_path / "o", PackSettings(workers=1))
    assert result.editions, result.findings
    assert result.editions[0].manifest.instruments[0].facts.samples == 2
    assert result.editions[0].manifest.instruments[0].has_manifest


def test_undeclared_rights_stop_the_pack_before_anything_is_made(shelf, tmp_path):
    recipe = pack_recipe(instrument=[{"folder": "Lantern"}])
    result = make_pack(recipe, shelf, tmp_path / "o", PackSettings(workers=1))
    assert [one.rule for one in result.findings] == ["rights-undeclared"]
    assert not (tmp_path / "o").exists()


def test_a_budget_that_does_not_hold_it_stops_the_pack(shelf, tmp_path):
    recipe = pack_recipe(edition=[{"name": "tiny", "budget_mb": 0.01}])
    result = make_pack(recipe, shelf, tmp_path / "o", PackSettings(workers=1))
    assert "budget-exceeded" in [one.rule for one in result.findings]
    assert list(tmp_path.iterdir()) == []


def test_errors_in_an_instrument_stop_the_pack(shelf, tmp_path):
    broken = tmp_path / "Broken"
    broken.mkdir()
    sample = next((shelf / "Lantern" / "samples").iterdir())
    (broken / sample.name).write_bytes(sample.read_bytes())
    (broken / "Broken.sfz").write_text(
        f"<region> sample={sample.name} key=60\n<region> sample=gone.wav key=62\n"
    )
    own = [{"what": "all", "rights": "own"}]
    recipe = pack_recipe(instrument=[{"folder": "Broken", "sources": own}])
    result = make_pack(recipe, tmp_path, tmp_path / "o", PackSettings(workers=1))
    assert any(one.severity == "error" for one in result.findings)
    assert not result.editions
    assert not (tmp_path / "o").exists()


def test_an_existing_result_is_asked_for(made, shelf):
    _, target = made
    with pytest.raises(OutputError, match="add --force"):
        make_pack(pack_recipe(), shelf, target, PackSettings(workers=1))


def test_recordings_are_built_smaller_for_a_budget(shelf, tmp_path):
    own = [{"what": "all", "rights": "own"}]
    recipe = pack_recipe(
        instrument=[{"folder": "in/Lantern", "sources": own}],
        edition=[{"name": "full"}, {"name": "small", "bits": 16, "budget_mb": 0.1}],
    )
    result = make_pack(recipe, shelf, tmp_path / "o", PackSettings(workers=1))
    assert result.editions, result.findings
    full, small = (edition.manifest.instruments[0].facts for edition in result.editions)
    assert full.audio_bytes * 2 / 3 > 0.1e6 >= small.audio_bytes
    assert (full.low_key, full.high_key) == (small.low_key, small.high_key)
    assert small.bits == (16,)


def test_an_instrument_changed_by_hand_goes_without_its_manifest(shelf, tmp_path):
    shutil.copytree(shelf / "Knock", tmp_path / "Knock")
    sfz = tmp_path / "Knock" / "Knock.sfz"
    sfz.write_text(sfz.read_text().replace("<region>", "<group>\nrt_decay=0\n\n<region>", 1))
    own = [{"what": "all", "rights": "own"}]
    recipe = pack_recipe(instrument=[{"folder": "Knock", "sources": own}])
    result = make_pack(recipe, tmp_path, tmp_path / "o", PackSettings(workers=1))
    assert "manifest-left-out" in [one.rule for one in result.findings]
    assert not result.editions[0].manifest.instruments[0].has_manifest


def test_limits_that_a_recipe_moved_do_not_count(shelf, tmp_path):
    shutil.copytree(shelf / "Lantern", tmp_path / "Lantern")
    path = tmp_path / "Lantern" / "manifest.json"
    manifest = json.loads(path.read_text(encoding="utf-8"))
    manifest["recipe"]["proof"]["tuning_cents"] = 500.0
    path.write_text(json.dumps(manifest), encoding="utf-8")
    sfz = tmp_path / "Lantern" / "Lantern.sfz"
    sfz.write_text(re.sub(r"tune=-?\d+", "tune=30", sfz.read_text()))
    own = [{"what": "all", "rights": "own"}]
    recipe = pack_recipe(instrument=[{"folder": "Lantern", "sources": own}], waiver=[])
    result = make_pack(recipe, tmp_path, tmp_path / "o", PackSettings(workers=1))
    assert "proof-tuning" in {one.rule for one in stopping(result.findings)}


def test_a_recipe_may_be_named_by_its_file(shelf, tmp_path):
    recordings = tmp_path / "notes"
    shutil.copytree(shelf / "in" / "Knock", recordings)
    (recordings / "mine.toml").write_text(
        'name = "Muffled"\n[zones]\nreach_below = 0\nreach_above = 2\n'
    )
    own = [{"what": "all", "rights": "own"}]
    recipe = pack_recipe(instrument=[{"folder": "notes/mine.toml", "sources": own}])
    result = make_pack(recipe, tmp_path, tmp_path / "o", PackSettings(workers=1))
    assert result.editions, result.findings
    (packed,) = result.editions[0].manifest.instruments
    assert packed.name == "Muffled"
    assert (packed.facts.low_key, packed.facts.high_key) == (48, 50)


def test_a_silent_preview_is_told(shelf, tmp_path):
    import mido

    track = mido.MidiTrack([mido.Message("note_on", note=3, velocity=9)])
    mido.MidiFile(type=0, tracks=[track]).save(tmp_path / "low.mid")
    own = [{"what": "all", "rights": "own"}]
    instrument = {"folder": str(shelf / "Knock"), "sources": own, "midi": "low.mid"}
    result = make_pack(
        pack_recipe(instrument=[instrument]), tmp_path, tmp_path / "o", PackSettings(workers=1)
    )
    assert [one.rule for one in stopping(result.findings)] == ["preview-silent"]
    assert not (tmp_path / "o").exists()
    waiver = [{"rule": "preview", "reason": "nothing to hear"}, *WAIVERS]
    recipe = pack_recipe(instrument=[instrument], waiver=waiver)
    result = make_pack(recipe, tmp_path, tmp_path / "o", PackSettings(workers=1))
    assert result.editions[0].manifest.instruments[0].preview is None
    assert ("waiver-unused", "preview") not in [(one.rule, one.where) for one in result.findings]


def test_a_result_may_not_lie_in_an_instrument(shelf):
    with pytest.raises(OutputError, match="may not lie inside"):
        make_pack(pack_recipe(), shelf, shelf / "Lantern" / "o", PackSettings(workers=1))


def test_a_folder_that_is_not_there_is_one_clear_line(shelf, tmp_path):
    own = [{"what": "all", "rights": "own"}]
    recipe = pack_recipe(instrument=[{"folder": "gone", "sources": own}])
    with pytest.raises(InputError, match="no such folder"):
        make_pack(recipe, shelf, tmp_path / "o", PackSettings(workers=1))
    assert list(tmp_path.iterdir()) == []


def test_a_pack_that_fails_leaves_the_last_good_one(mistuned, tmp_path):
    settings = PackSettings(workers=1, replace=True)
    make_pack(sharp(), mistuned, tmp_path / "o", settings)
    before = {path.name: path.read_bytes() for path in (tmp_path / "o").iterdir()}
    result = make_pack(sharp(waiver=[]), mistuned, tmp_path / "o", settings)
    assert not result.editions
    assert {path.name: path.read_bytes() for path in (tmp_path / "o").iterdir()} == before
    assert [path.name for path in tmp_path.iterdir()] == ["o"]


def test_an_archive_that_would_not_pass_is_not_published(shelf, tmp_path, monkeypatch):
    def spoiled(order, archive):
        manifest = write_edition(order, archive)
        content = bytearray(archive.read_bytes())
        content[len(content) // 2] ^= 1
        archive.write_bytes(content)
        return manifest

    monkeypatch.setattr("keymapper.pipeline.packing.pack.write_edition", spoiled)
    result = make_pack(pack_recipe(), shelf, tmp_path / "pack", PackSettings(workers=1))
    assert result.editions == ()
    assert any(one.where.startswith("Quiet_Pier-1.0.zip: ") for one in result.findings)
    assert not (tmp_path / "pack").exists()
