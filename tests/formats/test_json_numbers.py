import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from keymapper.formats.json_numbers import has_huge_numbers


@pytest.mark.parametrize(
    "text", ["[1e308]", "[1E+400]", "[" + "9" * 400 + "]", '{"a": -1e16}', "[1" + "0" * 16 + ".5]"]
)
def test_huge_numbers_are_seen(text):
    assert has_huge_numbers(text)


@given(st.lists(st.floats(-1e14, 1e14) | st.integers(-(10**14), 10**14) | st.text()))
def test_no_other_number_nor_any_text_is_taken_for_one(values):
    assert not has_huge_numbers(json.dumps(values))
    assert not has_huge_numbers(json.dumps(["9" * 400, '"' + "1e308", "\\", *values]))
