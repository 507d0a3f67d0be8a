import subprocess
import sys
from importlib.metadata import EntryPoint

import pytest

from keymapper import BuildSettings, build_instrument
from keymapper.errors import OutputError, UsageError
from keymapper.exporting import exporters
from keymapper.exporting.exporters import export, find_exporter
from keymapper.formats.manifest import read_manifest
from tests.simple_notes import write_note

ONE = BuildSettings(workers=1, prove=False, page=False)


@pytest.fixture
def built(tmp_path):
    write_note(tmp_path / "in" / "C4 v40.wav", 60, peak=0.1)
    write_note(tmp_path / "in" / "C4 v110.wav", 60, peak=0.4)
    return tmp_path / "out", build_instrument(tmp_path / "in", tmp_path / "out", settings=ONE)


def test_the_manifest_alone_gives_the_same_sfz(built, tmp_path):
    out, _ = built
    manifest = read_manifest((out / "manifest.json").read_text(encoding="utf-8"), "manifest.json")
    export(manifest, ["sfz", "manifest"], tmp_path / "again")
    for name in ("in.sfz", "manifest.json"):
        assert (tmp_path / "again" / name).read_bytes() == (out / name).read_bytes()


def test_an_unknown_format_names_the_nearest(built):
    with pytest.raises(UsageError, match="no exporter is called 'sfzz'; did you mean 'sfz'"):
        find_exporter("sfzz")


def key_list(manifest):
    return {"lists/keys.txt": " ".join(str(zone.root_key) for zone in manifest.zones).encode()}


@pytest.fixture
def foreign(monkeypatch):
    own = exporters.entry_points(group=exporters.ENTRY_POINT_GROUP)
    point = EntryPoint("keys", f"{__name__}:key_list", exporters.ENTRY_POINT_GROUP)
    monkeypatch.setitem(sys.modules, __name__, sys.modules[key_list.__module__])
    monkeypatch.setattr(exporters, "entry_points", lambda group: [*own, point])


def test_another_package_adds_a_format(built, foreign, tmp_path):
    settings = BuildSettings(workers=1, formats=("keys",))
    build_instrument(tmp_path / "in", tmp_path / "more", settings=settings)
    assert (tmp_path / "more" / "lists" / "keys.txt").read_text() == "60 60"


def test_what_another_package_wrote_is_replaced_with_the_rest(built, foreign, tmp_path):
    settings = BuildSettings(workers=1, prove=False, page=False, formats=("keys",), replace=True)
    for _ in range(2):
        build_instrument(tmp_path / "in", tmp_path / "more", settings=settings)
    assert (tmp_path / "more" / "lists" / "keys.txt").read_text() == "60 60"


@pytest.mark.parametrize("file", ["../evil", "/evil", "a/../../evil", "a\\..\\evil", ""])
def test_no_exporter_writes_outside_the_folder(built, monkeypatch, tmp_path, file):
    monkeypatch.setattr(exporters, "find_exporter", lambda _: lambda _: {file: b"x"})
    with pytest.raises(OutputError, match="outside the instrument's folder"):
        export(built[1], ["any"], tmp_path / "again")


def test_exporters_are_found_without_loading_the_audio_library():
    script = (
        "import sys; from keymapper.exporting.exporters import find_exporter;"
        "find_exporter('sfz'); print('soundfile' in sys.modules)"
    )
    result = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=True
    )
    assert result.stdout.strip() == "False"
