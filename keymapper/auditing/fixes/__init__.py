"""A corrected copy of a pack: what can be mended without touching the sound."""
