"""From measurements to an instrument: names, keys, velocities, repeats, levels."""
