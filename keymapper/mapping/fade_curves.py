"""How a velocity layer fades, by straight lines in amplitude, where it overlaps its neighbours."""

from __future__ import annotations

from keymapper.model.instrument import VelocityFade


def faded_range(own: tuple[int, int], fade_below: int, fade_above: int) -> tuple[int, int]:
    """Return the velocities a layer sounds at when it fades into its neighbours.

    own : its lowest and highest velocity.
    fade_below, fade_above : velocities over which it fades; half of them are its neighbour's own.
    """
    return own[0] - (fade_below + 1) // 2, own[1] + fade_above // 2


def fade_of(own: tuple[int, int], fade_below: int, fade_above: int) -> VelocityFade | None:
    """Return how a layer fades over the velocities at which it overlaps its neighbours."""
    if not fade_below and not fade_above:
        return None
    low, high = faded_range(own, fade_below, fade_above)
    return VelocityFade(
        in_low=low - 1 if fade_below else 0,
        in_high=own[0] + fade_below // 2 if fade_below else 0,
        out_low=own[1] - (fade_above + 1) // 2 if fade_above else 127,
        out_high=high + 1 if fade_above else 127,
        law="gain",
    )


def fade_share(fade: VelocityFade | None, velocity: int) -> float:
    """Return the share of its amplitude, 0 to 1, that a fade by straight lines leaves a layer."""
    if fade is None:
        return 1.0
    fading_in = way_through(velocity, fade.in_low, fade.in_high) if fade.in_high else 1.0
    return fading_in * (1.0 - way_through(velocity, fade.out_low, fade.out_high))


def way_through(velocity: int, start: int, end: int) -> float:
    """Return how far from start to end a velocity lies, 0 to 1; 0 where there is no way."""
    return min(1.0, max(0.0, (velocity - start) / (end - start))) if end > start else 0.0
