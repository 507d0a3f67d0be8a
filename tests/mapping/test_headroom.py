from dataclasses import replace

import pytest

from keymapper.mapping.headroom import (
    MOST_VOLUME_DB,
    highest_gain_db,
    lowered,
    played_peak_dbfs,
)
from keymapper.mapping.placing import Place
from keymapper.mapping.set_notes import PlacedNote
from keymapper.model.instrument import Decision, VelocityGain
from keymapper.model.sound import SILENCE_DBFS


def placed(gain_db, highest_db=0.0, keys=(40, 50)):
    return PlacedNote(
        note=0,
        decision=Decision(
            root_key=keys[0],
            tuning_cents=0.0,
            velocity=None,
            round_robin=None,
            is_release=False,
            decided_by="sound",
        ),
        place=Place(
            note=0,
            low_key=keys[0],
            high_key=keys[1],
            low_velocity=1,
            high_velocity=127,
            round_robin=1,
            round_robins=1,
            trigger="attack",
        ),
        gain_db=gain_db,
        velocity_gains=(
            VelocityGain(velocity=1, gain_db=-30.0),
            VelocityGain(velocity=127, gain_db=highest_db),
        ),
        velocity_tracking="curve",
        is_reversed=False,
        choke_group=0,
    )


def test_a_key_plays_as_loud_as_its_loudest_zone():
    soft, loud = (placed(1.0, 5.0), -20.0), (placed(-2.0, 3.0), -6.0)
    assert played_peak_dbfs([[soft, loud]]) == pytest.approx(-5.0)
    assert played_peak_dbfs([[]]) == SILENCE_DBFS


def faded(low, high, raised_at, **fade):
    note = placed(0.0)
    gains = tuple(
        VelocityGain(velocity=v, gain_db=6.0 if v in raised_at else 0.0) for v in range(1, 128)
    )
    place = replace(note.place, low_velocity=low, high_velocity=high, **fade)
    return (replace(note, place=place, velocity_gains=gains), -9.0)


@pytest.mark.parametrize(
    ("raised_at", "peak_dbfs"),
    [([], -9.0), ([119, 120], -9.0), (range(90, 112), -3.0)],
)
def test_velocity_layers_meet_where_they_fade_into_each_other(raised_at, peak_dbfs):
    """What is raised where the fade leaves hardly anything of it does not count."""
    soft = faded(1, 100, raised_at, fade_above=40)
    loud = faded(101, 127, [v for v in raised_at if v < 115], fade_below=40)
    assert played_peak_dbfs([[soft, loud]]) == pytest.approx(peak_dbfs, abs=0.5)


def test_layers_meet_where_they_share_keys():
    here, there = (placed(0.0), -9.0), (placed(0.0, keys=(60, 61)), -9.0)
    assert played_peak_dbfs([[here], [here]]) == pytest.approx(-2.98, abs=0.01)
    assert played_peak_dbfs([[here], [there]]) == pytest.approx(-9.0)


@pytest.mark.parametrize(
    ("by_db", "gain_db", "baked_db"), [(0.0, -9.0, 12.0), (5.0, -9.0, 7.0), (15.0, -12.0, 0.0)]
)
def test_what_no_volume_can_give_goes_into_the_sample(by_db, gain_db, baked_db):
    found = lowered(placed(3.0, 15.0), by_db)
    assert (found.gain_db, found.baked_gain_db) == (gain_db, baked_db)
    assert highest_gain_db(found) <= MOST_VOLUME_DB
    assert found.gain_db + found.baked_gain_db == 3.0 - by_db
