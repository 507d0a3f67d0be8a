"""Faults of maps, files and SFZ texts that are planted into rendered packs."""

from __future__ import annotations

import numpy as np

from tests.faulty_packs import Note, RenderedPack


def _inner(pack: RenderedPack, note: Note) -> bool:
    keys = sorted({one.key for one in pack.notes})
    return keys[1] < note.key < keys[-2]


def _of_key(pack: RenderedPack, key: int) -> list[Note]:
    return [note for note in pack.notes if note.key == key]


def gap(pack: RenderedPack) -> None:
    note = pack.take(lambda note: _inner(pack, note))
    for one in _of_key(pack, note.key):
        one.opcodes["hikey"] = str(int(one.opcodes["hikey"]) - 1)
    pack.plant("map-gap")


def velocity_gap(pack: RenderedPack) -> None:
    note = pack.take()
    for one in _of_key(pack, note.key):
        if one.layer == 0:
            one.opcodes["lovel"] = str(int(pack.rng.integers(5, 40)))
    pack.plant("map-velocity-gap")


def overlap(pack: RenderedPack) -> None:
    note = pack.take(lambda note: _inner(pack, note))
    for one in _of_key(pack, note.key):
        one.opcodes["hikey"] = str(int(one.opcodes["hikey"]) + int(pack.rng.integers(1, 3)))
    pack.plant("map-overlap")


def unreachable(pack: RenderedPack) -> None:
    note = pack.take()
    kind = int(pack.rng.integers(4))
    if kind == 0:
        note.opcodes["lokey"] = str(int(note.opcodes["hikey"]) + 1)
    elif kind == 1:
        note.opcodes["lovel"] = str(min(127, int(note.opcodes["hivel"]) + 1))
        note.opcodes["hivel"] = str(int(note.opcodes["lovel"]) - 1)
    elif kind == 2:
        note.opcodes |= {"seq_length": "2", "seq_position": "3"}
    else:
        note.opcodes["offset"] = str(len(note.samples) + 100)
    pack.plant("map-unreachable", note)


def transposed_far(pack: RenderedPack) -> None:
    key = max(note.key for note in pack.notes)
    if any(i in pack.spoiled for i, note in enumerate(pack.notes) if note.key == key):
        raise LookupError("spoiled already")
    pack.spoiled |= {i for i, note in enumerate(pack.notes) if note.key == key}
    reach = int(pack.rng.integers(14, 26))
    for one in _of_key(pack, key):
        one.opcodes["hikey"] = str(min(127, key + reach))
    pack.plant("map-transposed-far", _of_key(pack, key)[0])


def crossfade_reversed(pack: RenderedPack) -> None:
    note = pack.take()
    low, high = sorted(pack.rng.choice(np.arange(1, 127), 2, replace=False))
    way = str(pack.rng.choice(["xfin", "xfout"]))
    note.opcodes |= {f"{way}_lovel": str(high), f"{way}_hivel": str(low)}
    pack.plant("map-crossfade-reversed", note)


def off_by_nothing(pack: RenderedPack) -> None:
    note = pack.take()
    note.opcodes |= {"group": "1", "off_by": str(int(pack.rng.integers(2, 9)))}
    pack.plant("map-off-by-nothing", note)


def missing_turn(pack: RenderedPack) -> None:
    note = pack.take(lambda note: pack.turns > 1)
    if pack.rng.random() < 0.5:
        note.opcodes["seq_position"] = str(3 - int(note.opcodes["seq_position"]))
    else:
        note.opcodes["seq_length"] = "3"
    pack.plant("map-turns")


def turn_order(pack: RenderedPack) -> None:
    note = pack.take(lambda note: pack.turns > 1)
    for one in _of_key(pack, note.key):
        one.opcodes["seq_position"] = str(2 - one.turn)
    pack.plant("map-turn-order")


def switches(pack: RenderedPack) -> None:
    for note in pack.notes:
        note.opcodes |= {"sw_lokey": "12", "sw_hikey": "13", "sw_last": "12"}
    pack.plant("map-switch-without-default")


def missing_file(pack: RenderedPack) -> None:
    note = pack.take(lambda note: _inner(pack, note))
    note.opcodes["sample"] = f"samples/lost_{note.key}.wav"
    pack.plant("file-missing")


def wrong_case(pack: RenderedPack) -> None:
    note = pack.take()
    note.opcodes["sample"] = note.file.upper().replace("SAMPLES", "samples")
    pack.plant("file-wrong-case")


def outside(pack: RenderedPack) -> None:
    note = pack.take(lambda note: _inner(pack, note))
    note.opcodes["sample"] = str(pack.rng.choice(["../elsewhere/x.wav", "C:/x.wav", "/x.wav"]))
    pack.plant("file-outside-pack")


def unused(pack: RenderedPack) -> None:
    name = f"samples/forgotten_{int(pack.rng.integers(100))}.wav"
    pack.extra[name] = np.sin(np.arange(40_000) / 30)[:, None] * np.hanning(40_000)[:, None] * 0.3
    pack.truth.append(("file-unused", name))


def unreadable(pack: RenderedPack) -> None:
    name = f"samples/broken_{int(pack.rng.integers(100))}.wav"
    kinds = (b"", b"RIFF\x10\0\0\0WAVEfmt ", bytes(pack.rng.integers(0, 256, 300, dtype=np.uint8)))
    pack.extra[name] = kinds[int(pack.rng.integers(3))]
    pack.truth.append(("file-unreadable", name))


def truncated(pack: RenderedPack) -> None:
    note = pack.take(lambda note: note.suffix_format == "WAV")
    note.cut_bytes = 3 * note.samples.shape[1] * int(pack.rng.integers(50, 1500))
    pack.plant("file-truncated", note)


def clashing(pack: RenderedPack) -> None:
    note = pack.take()
    folder, _, name = note.file.rpartition("/")
    pack.extra[f"{folder}/{name.swapcase()}"] = note.samples * 0.5
    pack.plant("file-clashing-names")


def unsafe(pack: RenderedPack) -> None:
    note = pack.take()
    folder, _, name = note.file.rpartition("/")
    odd = str(pack.rng.choice(["what?", "a:b", "pipe|", "star*", 'quo"te', "AUX."]))
    renamed = f"{odd}{name}" if odd != "AUX." else f"AUX.{note.key}{note.layer}{note.turn}.wav"
    note.file = f"{folder}/{renamed}"
    pack.plant("file-unsafe-name", note)


def mixed_rate(pack: RenderedPack) -> None:
    note = pack.take()
    others = [rate for rate in (44_100, 48_000) if rate != note.rate]
    import soxr

    ratio = others[0] / note.rate
    note.samples = soxr.resample(note.samples, note.rate, others[0])
    note.rate = others[0]
    if note.loop is not None:
        note.loop = (round(note.loop[0] * ratio), round(note.loop[1] * ratio))
        note.smpl_loop = note.loop
        note.opcodes["loop_start"] = str(note.loop[0])
        note.opcodes["loop_end"] = str(note.loop[1] - 1)
    pack.plant("file-mixed-rates", note)


def mixed_depth(pack: RenderedPack) -> None:
    note = pack.take()
    note.subtype = str(pack.rng.choice(["PCM_16", "FLOAT"]))
    pack.plant("file-mixed-depths", note)


def duplicate(pack: RenderedPack) -> None:
    note = pack.take()
    name = f"samples/zz_copy_{note.key}.wav"
    pack.extra[name] = np.clip(note.samples, -1, 1 - 2**-23)
    pack.truth.append(("file-duplicate-audio", name))


def stray_text(pack: RenderedPack) -> None:
    pack.head = str(pack.rng.choice(["hello there", "<zone> lokey=3", "lokey=3"]))
    pack.plant("sfz-syntax")


def bad_variable(pack: RenderedPack) -> None:
    note = pack.take()
    note.opcodes["tune"] = "$UNKNOWN"
    pack.plant("sfz-variable")


def bad_include(pack: RenderedPack) -> None:
    pack.tail += '#include "nowhere/else.sfz"\n'
    pack.plant("sfz-include")


def bad_value(pack: RenderedPack) -> None:
    note = pack.take()
    name, value = [("volume", "loud"), ("pan", "200"), ("loop_mode", "forever"), ("trigger", "x")][
        int(pack.rng.integers(4))
    ]
    note.opcodes[name] = value
    pack.plant("sfz-value")


def byte_order_mark(pack: RenderedPack) -> None:
    pack.bom = True
    pack.plant("sfz-portability")


def backslash(pack: RenderedPack) -> None:
    note = pack.take()
    note.opcodes["sample"] = note.file.replace("/", "\\")
    pack.plant("sfz-portability")


def no_sample(pack: RenderedPack) -> None:
    pack.tail += "<region>\nlokey=10\nhikey=11\n"
    pack.plant("sfz-region-without-sample")


def unknown_opcode(pack: RenderedPack) -> None:
    note = pack.take()
    note.opcodes["ampeg_realease"] = "0.4"
    pack.plant("sfz-unknown-opcode")
