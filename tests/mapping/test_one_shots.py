from keymapper.mapping.choking import choke_groups, first_word
from keymapper.model.recipe import ChokeGroup

FILES = ["36 Hatch shut.wav", "37 Hatch open.wav", "kit/Hatch_half 2.wav", "Bell.wav", "808.wav"]


def test_shared_first_words_choke_each_other():
    assert choke_groups(FILES, "prefix", ()) == (1, 1, 1, 0, 0)


def test_stated_groups_come_first():
    stated = (ChokeGroup(name="metal", files=("Bell.wav", "36 Hatch shut.wav")),)
    assert choke_groups(FILES, "prefix", stated) == (1, 2, 2, 1, 0)


def test_all_or_none():
    assert choke_groups(FILES, "all", ()) == (1,) * 5
    assert choke_groups(FILES, "none", ()) == (0,) * 5


def test_first_words_are_the_names_own():
    assert [first_word(file) for file in FILES] == ["hatch", "hatch", "hatch", "bell", ""]
