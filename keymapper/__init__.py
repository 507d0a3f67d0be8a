"""Turn recorded synth notes into a playable, in-tune, well-looped instrument."""
