"""From an instrument to a folder: processed samples, SFZ, manifest."""
