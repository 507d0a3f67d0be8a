from hypothesis import given
from hypothesis import strategies as st

from keymapper.reporting.bars import CELLS, bar_about_zero


def test_a_bar_goes_from_the_middle_to_its_side():
    assert bar_about_zero(5.0, 10.0) == "     │██▌  "
    assert bar_about_zero(-5.0, 10.0) == "  ▐██│     "
    assert bar_about_zero(None, 10.0) == bar_about_zero(0.1, 10.0) == "     │     "


@given(st.floats(-1e6, 1e6), st.floats(0.1, 1e3))
def test_every_bar_has_its_width_and_its_side(value, reach):
    bar = bar_about_zero(value, reach)
    assert len(bar) == 2 * CELLS + 1
    assert bar[CELLS] == "│"
    assert not (bar[CELLS + 1 :] if value < 0 else bar[:CELLS]).strip()
