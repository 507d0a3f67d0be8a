"""Measurements as a picture."""

from lxml import etree

from keymapper.pipeline import measure_folder
from keymapper.reporting.plots import measurements_svg
from tests.simple_notes import write_note


def test_every_pitched_note_is_drawn_twice(tmp_path):
    write_note(tmp_path / "Lamp C3.wav", 48)
    write_note(tmp_path / "Lamp <b>G3.wav", 55)
    recordings = measure_folder(tmp_path, workers=1).recordings
    text = measurements_svg(recordings, "Lamp")
    root = etree.fromstring(text)
    dots = [e for e in root.iter() if "dot" in (e.get("class") or "").split()]
    assert len(dots) == 4
    assert "Lamp <b>G3.wav" in "".join(root.itertext())
    assert "NaN" not in text
    assert measurements_svg(recordings, "Lamp") == text


def test_nothing_to_draw_says_so():
    root = etree.fromstring(measurements_svg([], "Empty"))
    assert "Empty: 0 notes" in "".join(root.itertext())
