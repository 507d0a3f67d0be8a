"""Faults that are planted into rendered packs: one function a fault, all of random size.

Each spoils a pack made by `clean_pack` and says which rule has to find it, and in which file.
A fault that does not fit the pack (no loops, one layer) raises LookupError.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from tests.faulty_packs import NAMES, Note, RenderedPack

Fault = Callable[[RenderedPack], None]


def sign(pack: RenderedPack) -> int:
    return int(pack.rng.choice([-1, 1]))


def _tune(note: Note, cents: float) -> None:
    note.opcodes["tune"] = str(round(cents))


def _shift_pitch(note: Note, semitones: int) -> None:
    """Let the sample sound elsewhere by writing its key elsewhere, name and all unchanged."""
    note.opcodes["pitch_keycenter"] = str(note.key - semitones)


def slightly_off(pack: RenderedPack) -> None:
    note = pack.take()
    _tune(note, sign(pack) * 3.5)
    pack.plant("tuning-slightly-off", note)


def off(pack: RenderedPack) -> None:
    note = pack.take()
    _tune(note, sign(pack) * pack.rng.uniform(7, 45))
    pack.plant("tuning-off", note)


def keytrack(pack: RenderedPack) -> None:
    note = pack.take(lambda note: note.opcodes["lokey"] != note.opcodes["hikey"])
    note.opcodes["pitch_keytrack"] = str(round(100 + sign(pack) * pack.rng.uniform(7, 14)))
    pack.plant("tuning-keytrack", note)


def wrong_key(pack: RenderedPack) -> None:
    note = pack.take()
    _shift_pitch(note, sign(pack) * int(pack.rng.integers(1, 11)))
    pack.plant("tuning-wrong-key", note)


def octave(pack: RenderedPack) -> None:
    note = pack.take()
    _shift_pitch(note, 12 * sign(pack))
    pack.plant("tuning-octave", note)


def neighbours(pack: RenderedPack) -> None:
    note = pack.take()
    _tune(note, sign(pack) * pack.rng.uniform(11, 40))
    pack.plant("tuning-neighbours", note)


def turns_disagree(pack: RenderedPack) -> None:
    note = pack.take(lambda note: pack.turns > 1)
    _tune(note, sign(pack) * pack.rng.uniform(8, 40))
    pack.plant("tuning-turns")


def layers_disagree(pack: RenderedPack) -> None:
    note = pack.take(lambda note: pack.layers > 1)
    _tune(note, sign(pack) * pack.rng.uniform(8, 40))
    pack.plant("tuning-layers")


def drift(pack: RenderedPack) -> None:
    note = pack.take(lambda note: pack.sustains)
    frames, cents = len(note.samples), sign(pack) * pack.rng.uniform(14, 40)
    ratio = 2 ** (cents * (np.arange(frames) / frames - 0.5) / 1200)
    places = np.cumsum(ratio) - 0.5 * frames * (ratio.mean() - 1)
    places = np.clip(places - places[0], 0, frames - 1)
    for side in note.samples.T:
        side[:] = np.interp(places, np.arange(frames), side)
    pack.plant("tuning-drift", note)


def embedded_root(pack: RenderedPack) -> None:
    note = pack.take()
    note.smpl_root = note.key + sign(pack) * int(pack.rng.integers(1, 13))
    pack.plant("tuning-embedded-root", note)


def wrong_name(pack: RenderedPack) -> None:
    note = pack.take()
    _rename(pack, note)
    pack.plant("map-name-disagrees", note)


def name_of_sound(pack: RenderedPack) -> None:
    note = pack.take()
    _rename(pack, note)
    pack.plant("tuning-name", note)


def _rename(pack: RenderedPack, note: Note) -> None:
    """Name a note after another key, by a name that no other note has."""
    taken = {one.file for one in pack.notes}
    folder, _, name = note.file.rpartition("/")
    first, _, *others = name.removesuffix(".wav").split("_")
    for shift in pack.rng.permutation([-7, -5, -4, -2, -1, 1, 2, 4, 5, 7]):
        key = note.key + int(shift)
        parts = [first, f"{NAMES[key % 12]}{key // 12 - 1}", *others]
        file = f"{folder}/{'_'.join(parts)}.wav"
        if file not in taken:
            note.file = file
            return


def clipped(pack: RenderedPack) -> None:
    note = pack.take()
    gain = 10 ** (pack.rng.uniform(1, 8) / 20) / np.abs(note.samples).max()
    note.samples = np.clip(note.samples * gain, -1, 1 - 2**-23)
    pack.plant("level-clipped", note)


def flat_tops(pack: RenderedPack) -> None:
    note = pack.take()
    over, down = (10 ** (pack.rng.uniform(*db) / 20) for db in ((3, 8), (-4, -0.5)))
    note.samples = down * np.clip(note.samples * (over / np.abs(note.samples).max()), -1, 1)
    pack.plant("level-flat-tops", note)


def headroom(pack: RenderedPack) -> None:
    note = pack.take()
    note.samples *= 10 ** (-pack.rng.uniform(0.02, 0.2) / 20) / np.abs(note.samples).max()
    pack.plant("level-headroom", note)


def over_full_scale(pack: RenderedPack) -> None:
    note = pack.take()
    note.opcodes["volume"] = f"{pack.rng.uniform(18, 24):.1f}"
    pack.plant("level-over-full-scale", note)


def near_silence(pack: RenderedPack) -> None:
    note = pack.take()
    note.samples *= 10 ** (-pack.rng.uniform(52, 62) / 20) / np.abs(note.samples).max()
    pack.plant("level-near-silence", note)


def dc(pack: RenderedPack) -> None:
    note = pack.take()
    note.samples += sign(pack) * 10 ** (pack.rng.uniform(-45, -30) / 20)
    pack.plant("level-dc", note)


def dropout(pack: RenderedPack) -> None:
    note = pack.take(lambda note: note.key > 35)
    start = int(pack.rng.integers(len(note.samples) // 6, len(note.samples) // 3))
    note.samples[start : start + int(pack.rng.uniform(0.002, 0.03) * note.rate)] = 0.0
    pack.plant("level-dropout", note)


def click(pack: RenderedPack) -> None:
    note = pack.take()
    frame = int(pack.rng.integers(len(note.samples) // 4, len(note.samples) // 2))
    around = np.abs(note.samples[frame - 500 : frame + 500]).max()
    note.samples[frame] += sign(pack) * around * pack.rng.uniform(0.8, 2.0)
    pack.plant("level-click", note)


def lost_frames(pack: RenderedPack) -> None:
    """A buffer was lost: the wave jumps."""
    note = pack.take()
    frame = int(pack.rng.integers(len(note.samples) // 4, len(note.samples) // 2))
    near = note.samples[frame - 400 : frame + 400]
    jump = int(np.argmax(np.abs(near[400:].sum(axis=1) - near[399].sum())))
    note.samples = np.concatenate([note.samples[:frame], note.samples[frame + jump :]])
    move_loop(note, -jump)
    pack.plant("level-click", note)


def move_loop(note: Note, by: int) -> None:
    if note.loop is not None:
        note.loop = (note.loop[0] + by, note.loop[1] + by)
        note.smpl_loop = note.loop
        note.opcodes["loop_start"] = str(note.loop[0])
        note.opcodes["loop_end"] = str(note.loop[1] - 1)


def hum(pack: RenderedPack) -> None:
    note = pack.take(lambda note: _away_from_mains(note.key) and len(note.samples) > note.rate)
    mains = float(pack.rng.choice([50.0, 60.0]))
    seconds = np.arange(len(note.samples)) / note.rate
    level = np.sqrt(2) * 10 ** (pack.rng.uniform(-52, -38) / 20)
    for order, share in ((1, 1.0), (2, 0.5), (3, 0.6), (5, 0.3)):
        wave = np.sin(2 * np.pi * mains * order * seconds + pack.rng.uniform(0, 6))
        note.samples += level * share * wave[:, None]
    pack.plant("level-hum", note)


def _away_from_mains(key: int) -> bool:
    f0_hz = 440 * 2 ** ((key - 69) / 12)
    return all(
        abs(mains / f0_hz - round(mains / f0_hz)) * f0_hz > 4 or mains < f0_hz - 6
        for mains in (50.0, 60.0)
    )


def noise(pack: RenderedPack) -> None:
    """A note with audible hiss, and silence before it to hear it in."""
    note = pack.take()
    lead = round(0.1 * note.rate)
    note.samples = np.concatenate([np.zeros((lead, note.samples.shape[1])), note.samples])
    level = 10 ** (pack.rng.uniform(-48, -42) / 20)
    note.samples += level * pack.rng.standard_normal(note.samples.shape)
    note.opcodes["offset"] = str(lead)
    move_loop(note, lead)
    pack.plant("level-noise", note)


def noise_within(pack: RenderedPack) -> None:
    note = pack.take(lambda note: note.key >= 46 and pack.sustains)
    level = 10 ** (pack.rng.uniform(-52, -42) / 20)
    note.samples += level * pack.rng.standard_normal(note.samples.shape)
    pack.plant("level-noise-within", note)


def step_keys(pack: RenderedPack) -> None:
    keys = sorted({note.key for note in pack.notes})
    note = pack.take(lambda note: note.key not in (keys[0], keys[-1]))
    if pack.rng.random() < 0.5:
        note.samples *= 10 ** (-pack.rng.uniform(8, 14) / 20)
    else:
        note.opcodes["volume"] = f"{sign(pack) * pack.rng.uniform(8, 12):.1f}"
    pack.plant("level-step-keys", note)


def layer_order(pack: RenderedPack) -> None:
    note = pack.take(lambda note: pack.layers > 1)
    both = [one for one in pack.notes if one.key == note.key]
    both[0].opcodes["lovel"], both[1].opcodes["lovel"] = "81", "1"
    both[0].opcodes["hivel"], both[1].opcodes["hivel"] = "127", "80"
    pack.plant(str(pack.rng.choice(["level-layer-order", "map-layer-order"])), both[0])


def step_layers(pack: RenderedPack) -> None:
    note = pack.take(lambda note: pack.layers > 1 and note.layer == 1)
    note.opcodes["volume"] = f"{pack.rng.uniform(12, 16):.1f}"
    pack.plant("level-step-layers", note)


def late_start(pack: RenderedPack) -> None:
    note = pack.take()
    lead = round(pack.rng.uniform(0.02, 0.3) * note.rate)
    note.samples = np.concatenate([np.zeros((lead, note.samples.shape[1])), note.samples])
    move_loop(note, lead)
    pack.plant("edge-late-start", note)


def click_at_head(pack: RenderedPack) -> None:
    note = pack.take()
    period = note.rate / (440 * 2 ** ((note.key - 69) / 12))
    start = round(0.12 * note.rate)
    cut = start + int(np.argmax(np.abs(note.samples[start : start + int(period) + 1]).max(axis=1)))
    note.samples = note.samples[cut:]
    move_loop(note, -cut)
    pack.plant("edge-click-at-head", note)


def click_at_tail(pack: RenderedPack) -> None:
    note = pack.take(lambda note: note.loop is None)
    note.samples[-1] = sign(pack) * np.abs(note.samples).max() * pack.rng.uniform(0.05, 0.5)
    pack.plant("edge-click-at-tail", note)


def tail_cut(pack: RenderedPack) -> None:
    note = pack.take(lambda note: note.loop is None)
    kept = int(len(note.samples) * pack.rng.uniform(0.12, 0.25))
    note.samples = note.samples[:kept].copy()
    pack.plant("edge-tail-cut", note)


def long_silence(pack: RenderedPack) -> None:
    note = pack.take()
    frames = round(pack.rng.uniform(2.0, 4.0) * note.rate)
    silence = np.zeros((frames, note.samples.shape[1]))
    note.samples = np.concatenate([note.samples, silence])
    if pack.rng.random() < 0.4:
        again = note.samples[: round(0.4 * note.rate)]
        note.samples = np.concatenate([note.samples, again])
    pack.plant("edge-long-silence", note)
