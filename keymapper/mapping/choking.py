"""Which sounds cut each other off."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence

from keymapper.model.recipe import ChokeGroup, Choking

_FIRST_WORD = re.compile(r"[^\W\d_]+")


def choke_groups(
    files: Sequence[str], drums: Sequence[int], choking: Choking, stated: Sequence[ChokeGroup]
) -> tuple[int, ...]:
    """Return the choke group of each file, counted from 1; 0 for none.

    Groups stated in the recipe come first. "prefix" adds one for every first word that two or
    more of the remaining drums share, "all" one for all of them.

    drums : which drum each file is a hit of.
    """
    groups = stated_groups(stated)
    rest = [file for file in files if file not in groups]
    if choking == "all":
        groups.update(dict.fromkeys(rest, len(stated) + 1))
    elif choking == "prefix":
        words = {file: first_word(file) for file in rest}
        counts = Counter(
            word
            for word, _ in {
                (words[file], drum)
                for file, drum in zip(files, drums, strict=True)
                if file in words
            }
        )
        shared = sorted(word for word, count in counts.items() if word and count > 1)
        for file in rest:
            if words[file] in shared:
                groups[file] = len(stated) + 1 + shared.index(words[file])
    return tuple(groups.get(file, 0) for file in files)


def stated_groups(stated: Sequence[ChokeGroup]) -> dict[str, int]:
    """Return the group of each file that the recipe states, counted from 1; of two the later."""
    return {file: number for number, group in enumerate(stated, 1) for file in group.files}


def first_word(file: str) -> str:
    """Return the first word in a file's own name, in small letters; "" where there is none."""
    match = _FIRST_WORD.search(file.rpartition("/")[2].rpartition(".")[0])
    return match.group().casefold() if match else ""
