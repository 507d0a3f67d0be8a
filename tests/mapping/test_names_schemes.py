"""Names made from a random scheme are read back right, and sound that disagrees is reported."""

from __future__ import annotations

from dataclasses import replace
from random import Random

from hypothesis import assume, given, settings
from hypothesis import strategies as st

from keymapper.mapping.names import MeasuredHint, hints_from_names
from tests.mapping.naming_schemes import (
    DYNAMICS,
    NOTE_STYLES,
    NamedSet,
    Note,
    Scheme,
    named_sets,
)


def expected_velocity(scheme: Scheme, note: Note, layers: int) -> int | None:
    """A number that never changes says nothing; a lone p or f, or v16 and less, neither."""
    if scheme.velocity_style == "none" or (scheme.velocity_style == "bare" and layers == 1):
        return None
    if scheme.velocity_style == "dynamics" and layers == 1 and len(DYNAMICS[note.velocity]) == 1:
        return None
    if scheme.velocity_style in ("v", "vel") and layers == 1 and note.velocity <= 16:
        return None
    return note.velocity


def check(named: NamedSet) -> None:
    hints = hints_from_names(named.names, named.measured)
    layers = len({note.velocity for note in named.notes})
    for name, note, hint in zip(named.names, named.notes, hints.notes, strict=True):
        assert hint.key == note.key, (name, hints.facts)
        assert hint.velocity == expected_velocity(named.scheme, note, layers), (name, hints.facts)
        wanted = note.round_robin if named.scheme.repeat_style != "none" else None
        assert hint.round_robin == wanted, (name, hints.facts)
        assert hint.is_release == note.is_release, (name, hints.facts)
    assert hints.contradictions == ()
    if named.is_measured:
        assert hints.offset_semitones == named.offset
    if named.scheme.key_style in NOTE_STYLES:
        assert hints.middle_c_octave == named.scheme.middle_c_octave
    else:
        assert hints.middle_c_octave is None


@given(named_sets())
@settings(max_examples=200, deadline=None)
def test_names_of_a_measured_set_are_read_back(named: NamedSet) -> None:
    check(named)


@given(named_sets())
@settings(max_examples=100, deadline=None)
def test_names_alone_are_read_back(named: NamedSet) -> None:
    """Without any sound middle C is C4, and five different keys outnumber four layers."""
    assume(len({note.key for note in named.notes}) >= 5)
    scheme = replace(named.scheme, middle_c_octave=4)
    check(replace(named, scheme=scheme, is_measured=False))


@given(named_sets(), st.randoms(use_true_random=False))
@settings(max_examples=60, deadline=None)
def test_names_are_read_back_though_files_are_missing(named: NamedSet, chance: Random) -> None:
    assume(len(named.notes) >= 20)
    notes = list(named.notes)
    for _ in range(len(notes) // 10):
        notes.pop(chance.randrange(len(notes)))
    check(replace(named, notes=tuple(notes)))


@given(
    named_sets(),
    st.sampled_from((12, -12, 1, -1, 2, -7, 24)),
    st.data(),
)
@settings(max_examples=100, deadline=None)
def test_one_wrong_name_is_reported_and_not_believed(
    named: NamedSet, error: int, data: st.DataObject
) -> None:
    assume(len(named.notes) >= 6 and len({note.key for note in named.notes}) >= 4)
    assume(named.scheme.velocity_style != "bare" or len({n.velocity for n in named.notes}) != 1)
    wrong = data.draw(st.integers(0, len(named.notes) - 1))
    measured = named.measured
    hint = measured[wrong]
    assert hint is not None
    assert hint.root_key is not None
    measured[wrong] = replace(hint, root_key=hint.root_key + error)
    hints = hints_from_names(named.names, measured)
    (found,) = (each for each in hints.contradictions if each.kind == "key")
    assert (found.index, found.name, found.named) == (
        wrong,
        named.names[wrong],
        named.notes[wrong].key,
    )
    assert found.is_certain
    assert hints.notes[wrong].key is None
    assert hints.offset_semitones == named.offset
    for index, note in enumerate(named.notes):
        if index != wrong:
            assert hints.notes[index].key == note.key


@given(named_sets(), st.permutations(range(9)))
@settings(max_examples=60, deadline=None)
def test_the_order_of_the_files_does_not_matter(named: NamedSet, order: list[int]) -> None:
    order = [place for place in order if place < len(named.notes)]
    order += range(len(order), len(named.notes))
    names, measured = named.names, named.measured
    hints = hints_from_names(names, measured)
    shuffled = hints_from_names([names[i] for i in order], [measured[i] for i in order])
    assert shuffled.notes == tuple(hints.notes[i] for i in order)
    assert shuffled.facts == hints.facts


@given(
    st.lists(
        st.tuples(
            st.text(max_size=30) | st.text(alphabet="aAbBcC#♭s0123-_ /\\.vrp", max_size=30),
            st.none()
            | st.builds(
                MeasuredHint,
                root_key=st.none() | st.integers(0, 127),
                confidence=st.floats(0.0, 1.0),
                tuning_cents=st.floats(-50.0, 50.0),
                level_db=st.none() | st.floats(-200.0, 0.0),
            ),
        ),
        max_size=25,
    )
)
@settings(max_examples=200, deadline=None)
def test_any_names_give_hints_in_range(files: list[tuple[str, MeasuredHint | None]]) -> None:
    hints = hints_from_names([name for name, _ in files], [hint for _, hint in files])
    assert len(hints.notes) == len(files)
    for hint in hints.notes:
        assert hint.key is None or 0 <= hint.key <= 127
        assert hint.velocity is None or 1 <= hint.velocity <= 127
        assert hint.round_robin is None or hint.round_robin >= 1
