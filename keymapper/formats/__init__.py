"""Open formats, reader and writer side by side. Only here are frame ranges inclusive."""
