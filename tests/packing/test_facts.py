"""Facts of instruments that others wrote."""

import pytest

from keymapper.formats.sfz import read_sfz
from keymapper.packing.facts import instrument_facts, sample_infos

SWITCHED = """<global> sw_lokey=24 sw_hikey=25 sw_default=24
<region> sample={0} sw_last=24 sw_label=soft
<region> sample={1} sw_last=25 sw_label=loud
"""
LEGATO = """<region> sample={0} trigger=first
<region> sample={1} trigger=legato
"""
LAYERED = """<region> sample={0}
<region> sample={1}
"""


@pytest.mark.parametrize(
    ("text", "voices", "switches"),
    [(SWITCHED, 1, ("C1 soft", "C#1 loud")), (LEGATO, 1, ()), (LAYERED, 2, ())],
)
def test_what_excludes_each_other_is_one_voice_and_a_file_s_own_loop_counts(
    shelf, tmp_path, text, voices, switches
):
    samples = sorted((shelf / "Lantern" / "samples").iterdir())
    for sample in samples:
        (tmp_path / sample.name).write_bytes(sample.read_bytes())
    file = tmp_path / "one.sfz"
    file.write_text(text.format(*(sample.name for sample in samples)), "utf-8")
    reading = read_sfz(file)
    facts = instrument_facts(reading, sample_infos(reading))
    assert (facts.voices, facts.switches, facts.looped) == (voices, switches, True)
