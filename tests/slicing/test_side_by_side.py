"""Work on items by threads."""

from __future__ import annotations

import pytest

from keymapper.slicing.side_by_side import side_by_side


def test_results_come_in_order_and_items_are_not_made_far_ahead():
    made: list[int] = []

    def items():
        for number in range(20):
            made.append(number)
            yield number

    for number, result in enumerate(side_by_side(lambda one: one * one, items())):
        assert result == number * number
        assert len(made) <= number + 4


def test_an_error_of_the_work_is_raised():
    def fails(one: int) -> int:
        raise ValueError(f"item {one}")

    with pytest.raises(ValueError, match="item 0"):
        list(side_by_side(fails, [0, 1]))
