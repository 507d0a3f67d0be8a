"""Faults of loops and stereo sides that are planted into rendered packs."""

from __future__ import annotations

import numpy as np

from tests.faulty_packs import Note, RenderedPack
from tests.pack_faults import move_loop, sign


def loop_outside(pack: RenderedPack) -> None:
    note = pack.take(lambda note: note.loop is not None)
    note.opcodes["loop_end"] = str(len(note.samples) + int(pack.rng.integers(0, 4000)))
    pack.plant("loop-outside-file", note)


def loop_on_0(pack: RenderedPack) -> None:
    note = pack.take(lambda note: note.loop is not None)
    note.opcodes["loop_start"] = "0"
    pack.plant("loop-on-frame-0", note)


def loop_without_points(pack: RenderedPack) -> None:
    note = pack.take(lambda note: note.loop is not None)
    del note.opcodes["loop_start"], note.opcodes["loop_end"]
    note.smpl_loop = None
    pack.plant("loop-without-points", note)


def loop_too_short(pack: RenderedPack) -> None:
    note = pack.take(lambda note: note.loop is not None and note.key < 70)
    assert note.loop is not None
    length = int(pack.rng.integers(20, 90))
    note.loop = (note.loop[1] - length, note.loop[1])
    move_loop(note, 0)
    pack.plant("loop-too-short", note)


def loop_audible(pack: RenderedPack) -> None:
    """The loop ends half a period or so too early, or where the level is another."""
    note = pack.take(lambda note: note.loop is not None)
    assert note.loop is not None
    start, end = note.loop
    period = note.rate / (440 * 2 ** ((note.key - 69) / 12))
    if pack.rng.random() < 0.5:
        end -= max(2, round(period * pack.rng.uniform(0.3, 0.7)))
    else:
        fall = np.linspace(0, pack.rng.uniform(5, 9) * sign(pack), end - start)
        note.samples[start:end] *= 10 ** (fall / 20)[:, None]
        note.samples[end:] *= 10 ** (fall[-1] / 20)
        if np.abs(note.samples).max() > 0.9:
            note.samples *= 0.9 / np.abs(note.samples).max()
    note.loop = (start, end)
    move_loop(note, 0)
    pack.plant("loop-audible", note)


def loop_mistuned(pack: RenderedPack) -> None:
    note = pack.take(lambda note: note.loop is not None and 40 < note.key < 76)
    assert note.loop is not None
    period = note.rate / (440 * 2 ** ((note.key - 69) / 12))
    length = round(period * (int(pack.rng.integers(5, 12)) + pack.rng.choice([-0.3, 0.3])))
    note.loop = (note.loop[1] - length, note.loop[1])
    move_loop(note, 0)
    pack.plant("loop-mistuned", note)


def loop_embedded(pack: RenderedPack) -> None:
    note = pack.take(lambda note: note.loop is not None)
    assert note.loop is not None
    note.smpl_loop = (note.loop[0], note.loop[1] - int(pack.rng.choice([1, 100, 5000])))
    pack.plant("loop-embedded-disagrees", note)


def loop_counted(pack: RenderedPack) -> None:
    note = pack.take(lambda note: note.loop is not None)
    note.opcodes["loop_count"] = str(pack.rng.integers(1, 6))
    pack.plant("loop-counted", note)


def loop_missing(pack: RenderedPack) -> None:
    note = pack.take(lambda note: note.loop is not None)
    for name in ("loop_start", "loop_end"):
        del note.opcodes[name]
    note.opcodes["loop_mode"] = "no_loop"
    note.smpl_loop = None
    pack.plant("loop-missing", note)


def loop_on_decay(pack: RenderedPack) -> None:
    note = pack.take(lambda note: note.loop is None)
    frames = len(note.samples)
    start = int(frames * pack.rng.uniform(0.1, 0.2))
    end = start + int(frames * pack.rng.uniform(0.2, 0.35))
    note.loop = (start, end)
    note.opcodes["loop_mode"] = "loop_continuous"
    move_loop(note, 0)
    pack.plant("loop-on-decay", note)


def _stereo(note: Note) -> bool:
    return note.samples.shape[1] == 2


def dead_side(pack: RenderedPack) -> None:
    note = pack.take(_stereo)
    note.samples[:, int(pack.rng.integers(2))] *= float(pack.rng.choice([0.0, 1e-4]))
    pack.plant("stereo-dead-side", note)


def inverted(pack: RenderedPack) -> None:
    note = pack.take(_stereo)
    note.samples[:, 1] = -note.samples[:, 0] * pack.rng.uniform(0.85, 1.15)
    pack.plant("stereo-inverted", note)


def mono_loss(pack: RenderedPack) -> None:
    note = pack.take(_stereo)
    left = note.samples[:, 0].copy()
    quarter = round(0.25 * note.rate / (440 * 2 ** ((note.key - 69) / 12)))
    delayed = np.concatenate([np.zeros(quarter), left[:-quarter]])
    angle = np.arccos(pack.rng.uniform(-0.84, -0.72))
    note.samples[:, 1] = np.cos(angle) * left + np.sin(angle) * delayed
    if -0.87 < float(np.corrcoef(note.samples.T)[0, 1]) < -0.6:
        pack.plant("stereo-mono-loss", note)


def equal_sides(pack: RenderedPack) -> None:
    note = pack.take(_stereo)
    note.samples[:, 1] = note.samples[:, 0]
    pack.plant("stereo-equal-sides", note)


def lean(pack: RenderedPack) -> None:
    note = pack.take(_stereo)
    note.samples[:, int(pack.rng.integers(2))] *= 10 ** (-pack.rng.uniform(4, 10) / 20)
    pack.plant("stereo-lean", note)
