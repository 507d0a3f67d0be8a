"""Names of samples: what they play, in letters that every system takes."""

from __future__ import annotations

from collections.abc import Sequence

from keymapper.mapping.set_notes import PlacedNote
from keymapper.model.keys import key_name


def sample_file_names(stem: str, placed: Sequence[PlacedNote], suffix: str) -> list[str]:
    """Return one name a placed note, for example "harbour-pad_048_C3_v1_rr2.wav".

    stem : a safe name; layers are counted from the softest up.
    """
    layers = sorted({p.place.low_velocity for p in placed})
    return [f"{stem}_{_what_it_plays(p, layers)}{suffix}" for p in placed]


def _what_it_plays(placed: PlacedNote, layers: Sequence[int]) -> str:
    place = placed.place
    note = key_name(placed.decision.root_key).replace("#", "s").replace("-", "m")
    parts = [f"{placed.decision.root_key:03d}", note]
    if len(layers) > 1:
        parts.append(f"v{layers.index(place.low_velocity) + 1}")
    if place.round_robins > 1:
        parts.append(f"rr{place.round_robin}")
    if place.trigger == "release":
        parts.append("rel")
    if placed.is_reversed:
        parts.append("rev")
    return "_".join(parts)
