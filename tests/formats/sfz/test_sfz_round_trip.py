"""read(write(x)) == x for every document the writer does not refuse."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from keymapper.errors import KeymapperError, OutputError
from keymapper.formats.sfz import SfzDocument, SfzHeader, parse_sfz, write_sfz

NAMES = st.from_regex(r"[a-z][a-z0-9_]{0,20}", fullmatch=True)
TEXTS = st.text(min_size=1, max_size=40)
OPCODES = st.tuples(NAMES, st.one_of(TEXTS, st.integers(-9999, 99999).map(str)))
DOCUMENTS = st.lists(
    st.builds(
        SfzHeader,
        name=st.sampled_from(
            ("control", "global", "master", "group", "region", "curve", "effect", "sample", "midi")
        ),
        opcodes=st.lists(OPCODES, max_size=6).map(tuple),
    ),
    max_size=6,
).map(lambda headers: SfzDocument(headers=tuple(headers)))


@given(DOCUMENTS)
def test_what_is_written_reads_back_the_same(document: SfzDocument) -> None:
    try:
        text = write_sfz(document)
    except OutputError:
        return
    assert parse_sfz(text).document == document


SAFE = st.text(
    st.sampled_from("abcXYZ019 ._-+#&'()[]{}~!@^%;,*\\/éß音\"?|"), min_size=1, max_size=30
).filter(lambda text: text == text.strip() and "//" not in text and "/*" not in text)


@given(SAFE)
def test_ordinary_sample_names_are_never_refused_and_read_back(name: str) -> None:
    document = SfzDocument(headers=(SfzHeader(name="region", opcodes=(("sample", name),)),))
    reading = parse_sfz(write_sfz(document))
    assert reading.document == document
    assert reading.regions[0].sample == (name if name[0] == "*" else name.replace("\\", "/"))


@given(st.text(max_size=200))
def test_any_text_is_read_without_a_crash(text: str) -> None:
    try:
        parse_sfz(text)
    except KeymapperError:
        pytest.fail("short text must be readable")


PIECES = st.lists(
    st.sampled_from(
        [
            *("<region>", "<group>", "<control>", "<", ">", " ", "\n", "\r\n", "\ufeff", "=", "$"),
            *("//", "/*", "*/", "#define $A 1", "$A", '#include "x.sfz"', "default_path=..\\"),
            *("key=c4", "sample=a b.wav", "tune=1e999", "lokey=-", "set_cc99999=1"),
            *("xfin_locc1=x", "amp_velcurve_999=2"),
        ]
    ),
    max_size=40,
).map("".join)


@given(PIECES)
def test_any_arrangement_of_pieces_is_read_without_a_crash(text: str) -> None:
    reading = parse_sfz(text)
    for region in reading.regions:
        assert -1 <= region.lokey <= 127
        assert abs(region.tune_cents) <= 12800
