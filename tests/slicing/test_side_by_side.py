"""Work on items by threads."""

from __future__ import annotations

import threading

import pytest

from keymapper.slicing.side_by_side import side_by_side


def test_results_come_in_order_and_items_are_not_made_far_ahead():
    made: list[int] = []

    def items():
        for number in range(40):
            made.append(number)
            yield number

    for number, result in enumerate(side_by_side(lambda one: one * one, items())):
        assert result == number * number
        assert len(made) <= number + 10


def test_one_that_takes_long_keeps_no_other_waiting():
    others_done = threading.Event()
    done: list[int] = []

    def work(one: int) -> int:
        if one == 0:
            assert others_done.wait(timeout=10)
        done.append(one)
        if len(done) == 5:
            others_done.set()
        return one

    assert list(side_by_side(work, range(12))) == list(range(12))


def test_an_error_of_the_work_is_raised():
    def fails(one: int) -> int:
        raise ValueError(f"item {one}")

    with pytest.raises(ValueError, match="item 0"):
        list(side_by_side(fails, [0, 1]))
