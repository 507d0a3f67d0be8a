"""What is written beside the audio of a sample."""

from __future__ import annotations

from keymapper import __version__
from keymapper.formats.wav_chunks import SampleChunks
from keymapper.mapping.set_notes import PlacedNote
from keymapper.model.keys import key_name
from keymapper.model.loop import Loop
from keymapper.model.recipe import Recipe


def sample_chunks(
    placed: PlacedNote, loop: Loop | None, recipe: Recipe, *, name: str, baked_cents: float
) -> SampleChunks:
    """Return the `smpl`, `inst` and INFO of one sample, in agreement with its zone."""
    place, decision = placed.place, placed.decision
    tags = {
        "INAM": f"{name} {key_name(decision.root_key)}",
        "IART": recipe.author or "",
        "ICOP": recipe.licence or "",
        "IPRD": name,
        "ISFT": f"keymapper {__version__}",
    }
    return SampleChunks(
        root_key=decision.root_key,
        tuning_cents=decision.tuning_cents - baked_cents,
        loop=loop,
        low_key=place.low_key,
        high_key=place.high_key,
        low_velocity=place.low_velocity,
        high_velocity=place.high_velocity,
        info=tags,
    )
