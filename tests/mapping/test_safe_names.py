"""Names that every system takes, whatever they were made from."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from keymapper.mapping.safe_names import LONGEST_NAME, safe_name, safe_names

RESERVED = re.compile(r"(?:con|prn|aux|nul|com[0-9]|lpt[0-9])(?:\..*)?", re.IGNORECASE)
HOSTILE = st.one_of(
    st.text(max_size=80),
    st.text(alphabet="aA._- /\\:*?\"<>|#$&;='\n\t\x00éßЖ琴♯🎹", max_size=30),
    st.sampled_from(["con", "NUL.wav", "com1", "LPT9", "COM¹", "aux.", " con ", "..", "CON.x.y"]),
)


@given(HOSTILE, st.integers(min_value=8, max_value=80))
def test_any_text_becomes_a_name_every_system_takes(text: str, longest: int) -> None:
    name = safe_name(text, longest=longest)
    assert re.fullmatch(r"[A-Za-z0-9_][A-Za-z0-9._-]*", name)
    assert not name.endswith((".", "-"))
    assert ".." not in name
    assert RESERVED.fullmatch(name) is None
    assert len(name) <= longest


@given(HOSTILE, st.integers(min_value=8, max_value=80))
def test_a_safe_name_stays_as_it_is(text: str, longest: int) -> None:
    name = safe_name(text, longest=longest)
    if not name.startswith("_"):
        assert safe_name(name, longest=longest) == name


@given(st.lists(HOSTILE, max_size=40))
def test_names_of_a_folder_differ_by_more_than_case(texts: list[str]) -> None:
    names = safe_names(texts)
    assert len({name.casefold() for name in names}) == len(texts)
    assert all(len(name) <= LONGEST_NAME for name in names)
    assert all(RESERVED.fullmatch(name) is None for name in names)
    assert names == safe_names(texts)


def test_thousands_of_equal_names_stay_apart() -> None:
    names = safe_names(["x" * 100] * 3000)
    assert len(set(names)) == 3000
    assert max(len(name) for name in names) <= LONGEST_NAME


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("Harbour Pad F#2", "Harbour_Pad_Fs2"),
        ("Pad_C♯3 & more", "Pad_Cs3_more"),
        ("E♭-1", "Eb-1"),
        ("Take #3", "Take_3"),
        ("Élan naïf", "Elan_naif"),
        ("E\u0301lan", "Elan"),
        ("Straße Øre Łódź ﬁn", "Strasse_Ore_Lodz_fin"),
        ("Бас Жук Щука", "Bas_Zhuk_Shchuka"),
        ("йод", "iod"),
        ("Λύρα", "Lyra"),
        ("钢琴 C3", "C3"),
        ("钢琴", "sample"),
        ("", "sample"),
        ("con", "_con"),
        ("Aux.wav", "_Aux.wav"),
        ("..hidden..", "hidden"),
        ("a/b\\c:d", "a_b_c_d"),
        ('$x=<1>\n"2"', "x_1_2"),
    ],
)
def test_letters_are_kept_where_ascii_has_them(text: str, expected: str) -> None:
    assert safe_name(text) == expected


def test_equal_names_are_numbered_in_order() -> None:
    assert safe_names(["Pad", "pad", "PAD", "pad_2"]) == ("Pad", "pad_2", "PAD_3", "pad_2_2")
