"""Declarations held against the licences they name."""

import pytest

from keymapper.packing.rights import LICENCES, licence_text, rights_findings, source_text
from tests.packing.conftest import pack_recipe


def findings(*sources, **changes):
    instrument = [{"folder": "Lantern", "sources": list(sources)}]
    return [one.rule for one in rights_findings(pack_recipe(instrument=instrument, **changes))]


def source(rights, **more):
    return {"what": "all", "rights": rights, **more}


def test_own_recordings_and_free_licences_pass():
    assert findings(source("own"), source("CC0-1.0")) == []


def test_nothing_said_is_not_enough():
    assert findings() == ["rights-undeclared"]


@pytest.mark.parametrize("rights", ["CC-BY-4.0", "MIT", "Apache-2.0"])
def test_a_credit_that_is_asked_for_must_be_there(rights):
    assert findings(source(rights), licence="CC-BY-4.0") == ["rights-credit"]
    assert findings(source(rights, credit="  "), licence="CC-BY-4.0") == ["rights-credit"]
    assert findings(source(rights, credit="Mira Holm"), licence="CC-BY-4.0") == []


def test_a_pack_licence_that_asks_for_less_than_a_source_is_told():
    credited = source("CC-BY-4.0", credit="Mira Holm")
    assert findings(credited, licence="CC0-1.0") == ["rights-differ"]
    deal = source("LicenseRef-Deal", passing_on=True)
    assert findings(deal, licence="CC0-1.0") == ["rights-differ"]
    assert findings(credited, deal, licence="LicenseRef-Pier", licence_file="L.txt") == []


@pytest.mark.parametrize("rights", [name for name in LICENCES if "NC" in name or "ND" in name])
def test_what_may_not_be_sold_or_changed_stops(rights):
    assert "rights-forbid" in findings(source(rights, credit="Mira Holm"))


def test_share_alike_asks_for_the_same_licence():
    shared = source("CC-BY-SA-4.0", credit="Mira Holm")
    assert findings(shared, licence="CC-BY-4.0") == ["rights-share-alike"]
    assert findings(shared, licence="CC-BY-SA-4.0") == []


def test_a_licence_of_ones_own_needs_a_word_on_passing_on():
    assert findings(source("LicenseRef-Deal")) == ["rights-unknown"]
    assert findings(source("LicenseRef-Deal", passing_on=False)) == ["rights-forbid"]
    deal = source("LicenseRef-Deal", passing_on=True)
    assert findings(deal, licence="CC-BY-4.0") == []


def test_a_misspelt_licence_names_the_nearest():
    recipe = pack_recipe(instrument=[{"folder": "x", "sources": [source("CC-BY4.0")]}])
    (found,) = rights_findings(recipe)
    assert found.rule == "rights-unknown"
    assert "did you mean 'CC-BY-4.0'?" in found.message


def test_the_packs_own_licence_needs_a_text_unless_it_is_known():
    assert findings(source("own"), licence="LicenseRef-Pier") == ["licence-text"]
    assert findings(source("own"), licence="CC0-2.0") == ["licence-text"]
    assert findings(source("own"), licence="LicenseRef-Pier", licence_file="L.txt") == []


def test_the_licence_text_says_who_and_that_it_is_no_advice():
    recipe = pack_recipe()
    text = licence_text(recipe, None)
    assert "Zoë & <Sons>" in text
    assert "https://spdx.org/licenses/CC0-1.0.html" in text
    assert "no legal advice" in text
    assert "Lantern: all recordings: own recording" in text
    assert licence_text(recipe, "Do as you like.\n").endswith("Do as you like.\n")


def test_a_source_in_one_line():
    recipe = pack_recipe(
        instrument=[{"folder": "x", "sources": [source("CC-BY-4.0", credit="Mira Holm")]}]
    )
    text = source_text(recipe.instrument[0].sources[0])
    assert text == "all: CC-BY-4.0 (Creative Commons Attribution 4.0); Mira Holm"
