"""Packing against plainly zipping and hashing the same files, in this run; memory; same bytes.

    python tests/benchmarks/pack_speed.py [--large]

A pack of 5 instruments, 400 samples, 500 MB: 20 keys in 4 velocity layers each, stereo, 24 bits.
Packed is everything after the gate: labels in every sample, checksums, the archive, its own
checksum. Plain is `hashlib.file_digest` of every file and of the archive, and `zipfile` without
compression. What listens to the sounds (audit, proof, previews, loudness) is timed apart, in the
whole command, whose memory is that of its largest process. With --large an archive of 10 GB is
written and verified too.
"""

from __future__ import annotations

import hashlib
import os
import resource
import subprocess
import sys
import tempfile
import time
import zipfile
from functools import partial
from pathlib import Path
from statistics import median

import numpy as np

from keymapper.formats.pack_recipe import read_pack_recipe
from keymapper.formats.wav_chunks import SampleChunks, write_wav
from keymapper.model.loop import Loop
from keymapper.packing.archive import PackContent, PackWriter
from keymapper.packing.documents import documents, pack_materials
from keymapper.packing.instrument import ready_instrument
from keymapper.packing.opening import open_pack
from keymapper.packing.writing import EditionOrder, write_edition

RATE = 44_100
KEYS = range(48, 68)
LAYERS = ((1, 40), (41, 80), (81, 110), (111, 127))
INSTRUMENTS = 5
SAMPLE_BYTES = 1_250_000
ROUNDS = 5
LEAST_SHARE = 0.6
MOST_MEMORY_MB = 300
LARGE_FILE_BYTES = 2_500_000_000


def write_instrument(folder: Path, number: int) -> None:
    """Tones of whole periods a loop, softer layers darker; every sample about 1.25 MB."""
    (folder / "samples").mkdir(parents=True)
    frames = SAMPLE_BYTES // 6
    regions = []
    for key in KEYS:
        for layer, (low, high) in enumerate(LAYERS):
            name = f"samples/tone_{key:03d}_v{layer + 1}.wav"
            loop = write_tone(folder / name, key, layer, frames, number)
            gain = 10 ** (-6 * (len(LAYERS) - 1 - layer) / 20)
            regions.append(
                f"<region>\nsample={name}\nlokey={key}\nhikey={key}\npitch_keycenter={key}\n"
                f"lovel={low}\nhivel={high}\nvolume={20 * np.log10(gain):.2f}\namp_veltrack=0\n"
                f"loop_mode=loop_continuous\nloop_start={loop[0]}\nloop_end={loop[1] - 1}\n"
                "ampeg_release=0.2\n"
            )
    (folder / f"tone{number}.sfz").write_text("\n".join(regions))


def write_tone(path: Path, key: int, layer: int, frames: int, seed: int) -> tuple[int, int]:
    hz = 440 * 2 ** ((key - 69) / 12)
    time_s = np.arange(frames) / RATE
    random = np.random.default_rng(1000 * seed + 10 * key + layer)
    tones = sum(
        np.sin(2 * np.pi * hz * k * time_s + random.uniform(0, 6)) / k ** (2 - 0.2 * layer)
        for k in range(1, 6)
    )
    rise = np.minimum(1, time_s / 0.01)
    sound = np.stack([tones, tones * 0.9], axis=1) * rise[:, None]
    sound *= 0.25 / np.abs(sound).max()
    start = RATE
    end = start + round(round((frames - 2 * RATE) * hz / RATE) * RATE / hz)
    pcm = np.rint(sound * (2**23 - 1)).astype(np.int32)
    chunks = SampleChunks(
        root_key=key, tuning_cents=0.0, loop=Loop(start_frame=start, end_frame=end),
        low_key=key, high_key=key,
        low_velocity=LAYERS[layer][0], high_velocity=LAYERS[layer][1],
        info={"INAM": f"Tone {key}", "ISFT": "benchmark"},
    )  # fmt: skip
    write_wav(path, pcm, RATE, 24, chunks)
    return start, end


def write_recipe(folder: Path) -> Path:
    entries = "".join(
        f'[[instrument]]\nfolder = "tone{n}"\nname = "Tone {n}"\n'
        'sources = [{ what = "all", rights = "own" }]\n'
        for n in range(INSTRUMENTS)
    )
    waivers = "".join(
        f'[[waiver]]\nrule = "{family}"\nreason = "a benchmark"\n'
        for family in ("level", "loop", "map", "tuning", "proof", "file", "edge", "stereo")
    )
    path = folder / "PACK.toml"
    path.write_text(
        'title = "Tones"\nversion = "1"\nmaker = "Benchmark"\nyear = 2026\nlicence = "CC0-1.0"\n'
        + waivers
        + entries
    )
    return path


def packed_seconds(recipe_path: Path, target: Path) -> float:
    """Time all that follows the gate."""
    recipe, base = read_pack_recipe(recipe_path), recipe_path.parent
    instruments = tuple(
        ready_instrument(base / one.folder, one, one.folder) for one in recipe.instrument
    )
    begin = time.perf_counter()
    order = EditionOrder(
        recipe=recipe, edition="full", top="Tones-1", instruments=instruments,
        previews=(None,) * len(instruments), gains_db=(0.0,) * len(instruments),
        preview_folder=base,
        documents=partial(documents, recipe, pack_materials(recipe, base), instruments),
        progress=lambda *_: None,
    )  # fmt: skip
    write_edition(order, target)
    digest(target)
    return time.perf_counter() - begin


def plain_seconds(folder: Path, target: Path) -> float:
    files = sorted(path for path in folder.glob("tone*/**/*") if path.is_file())
    begin = time.perf_counter()
    with zipfile.ZipFile(target, "w", zipfile.ZIP_STORED) as archive:
        for path in files:
            digest(path)
            archive.write(path, path.relative_to(folder))
    digest(target)
    return time.perf_counter() - begin


def digest(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def timed(action: object, target: Path) -> float:
    target.unlink(missing_ok=True)
    os.sync()
    seconds: float = action(target)  # type: ignore[operator]
    return seconds


def verdict(name: str, value: float, unit: str, limit: float, *, most: bool) -> None:
    good = value <= limit if most else value >= limit
    print(f"{name:<46}{value:9.2f} {unit:<5} ({'at most' if most else 'at least'} {limit:g})"
          f"{'' if good else '   MISSED'}")  # fmt: skip


def whole_command(recipe: Path, out: Path, workers: int) -> tuple[float, float]:
    """Run the command; return seconds and the memory of its largest process in MB."""
    begin = time.perf_counter()
    code = (
        "import resource,subprocess,sys;"
        "r=subprocess.run(sys.argv[1:]);"
        "print(resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss/1000);sys.exit(r.returncode)"
    )
    pack = [sys.executable, "-m", "keymapper", "pack", str(recipe), "--out", str(out)]
    command = [sys.executable, "-c", code, *pack, "--workers", str(workers)]
    command += ["--quiet", "--cache-mb", "0"]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode:
        sys.exit(done.stdout + done.stderr)
    return time.perf_counter() - begin, float(done.stdout.splitlines()[-1])


def large_archive(folder: Path) -> None:
    """Write and read 10 GB of stretches of one sparse file."""
    source = folder / "large.bin"
    with source.open("wb") as file:
        file.truncate(LARGE_FILE_BYTES)
    from keymapper.formats.file_parts import whole_file

    archive = folder / "large.zip"
    with archive.open("wb") as file, PackWriter(file, "Large") as writer:
        for number in range(4):
            writer.add(PackContent(file=f"part{number}.bin", parts=(whole_file(source),)))
        writer.finish()
    opened = open_pack(archive, folder / "large")
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1000
    print(f"archive of {archive.stat().st_size / 1e9:.1f} GB (Zip64): "
          f"{'whole' if not opened.findings else opened.findings}")  # fmt: skip
    verdict("memory of writing and verifying it", memory, "MB", MOST_MEMORY_MB, most=True)


def main() -> None:
    with tempfile.TemporaryDirectory(prefix="pack_speed") as name:
        folder = Path(name)
        if "--large" in sys.argv:
            large_archive(folder)
        for number in range(INSTRUMENTS):
            write_instrument(folder / f"tone{number}", number)
        recipe = write_recipe(folder)
        size = sum(path.stat().st_size for path in folder.glob("tone*/samples/*"))
        count = len(list(folder.glob("tone*/samples/*")))
        print(f"{INSTRUMENTS} instruments, {count} samples, {size / 1e6:.0f} MB")
        shares = []
        for _ in range(ROUNDS):
            plain = timed(partial(plain_seconds, folder), folder / "plain.zip")
            packed = timed(partial(packed_seconds, recipe), folder / "packed.zip")
            shares.append(plain / packed)
        verdict("speed against plain zipping and hashing", median(shares), "", LEAST_SHARE,
                most=False)  # fmt: skip
        if "--stage" in sys.argv:
            return
        seconds, memory = whole_command(recipe, folder / "one", 1)
        print(f"the whole command, one process: {seconds:.0f} s")
        verdict("memory of the largest process", memory, "MB", MOST_MEMORY_MB, most=True)
        _, memory = whole_command(recipe, folder / "two", 2)
        verdict("memory of the largest of two workers", memory, "MB", MOST_MEMORY_MB, most=True)
        same = digest(folder / "one" / "Tones-1.zip") == digest(folder / "two" / "Tones-1.zip")
        print(f"same bytes on a second run with other workers: {'yes' if same else 'NO'}")


if __name__ == "__main__":
    main()
