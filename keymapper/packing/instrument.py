"""An instrument on its way into a pack."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path

from keymapper.exporting.exporters import export_sfz
from keymapper.formats.audio_file import AudioInfo
from keymapper.formats.manifest import MANIFEST_NAME, manifest_beside
from keymapper.formats.sfz import SfzReading, SfzRegion, read_sfz
from keymapper.formats.wav_chunks import read_embedded_hints
from keymapper.model.instrument import EmbeddedHints, Manifest
from keymapper.model.keys import key_name, nearest_key
from keymapper.model.loop import Loop
from keymapper.model.loudness import Loudness
from keymapper.model.pack import DeclaredInstrument, InstrumentFacts, PackFinding, PackRecipe
from keymapper.packing.facts import instrument_facts, sample_infos
from keymapper.packing.findings import pack_finding
from keymapper.packing.metadata import SampleLabel, source_label
from keymapper.packing.names import sample_names
from keymapper.proving.proof import sfz_file


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadyInstrument:
    """A built instrument with all that is known of it."""

    declared: DeclaredInstrument
    name: str
    folder_name: str
    """In the pack, below `instruments/`."""
    sfz: Path
    reading: SfzReading
    manifest: Manifest | None
    """None where there is none, or the SFZ was changed by hand after the build."""
    infos: Mapping[Path, AudioInfo]
    facts: InstrumentFacts
    loudness: Mapping[Path, Loudness] = field(default_factory=dict)
    proof: str = ""
    findings: tuple[PackFinding, ...] = ()

    @property
    def root(self) -> Path:
        """The folder that its samples lie in."""
        return self.sfz.resolve().parent

    def relative(self, path: Path) -> str:
        """Return a sample's path in the instrument's folder."""
        return path.resolve().relative_to(self.root).as_posix()

    def new_names(self) -> dict[str, str]:
        """Return the path in the pack's folder of the instrument for each own path."""
        return sample_names([self.relative(path) for path in self.infos])


def ready_instrument(
    folder: Path, declared: DeclaredInstrument, folder_name: str
) -> ReadyInstrument:
    """Return a built instrument as it lies in a folder.

    Raises
    ------
    InputError
        It cannot be read.
    """
    sfz = sfz_file(folder)
    reading = read_sfz(sfz)
    infos = sample_infos(reading)
    manifest = _manifest(sfz)
    return ReadyInstrument(
        declared=declared,
        name=declared.name or (manifest.name if manifest else sfz.stem),
        folder_name=folder_name,
        sfz=sfz,
        reading=reading,
        manifest=manifest,
        infos=infos,
        facts=instrument_facts(reading, infos),
    )


def _manifest(sfz: Path) -> Manifest | None:
    manifest = manifest_beside(sfz)
    if manifest is None:
        return None
    written = next(iter(export_sfz(manifest).values()))
    return manifest if written == sfz.read_bytes() else None


def manifest_findings(instrument: ReadyInstrument) -> list[PackFinding]:
    """Return a note where a manifest does not describe the SFZ beside it."""
    if instrument.manifest is not None or not (instrument.root / MANIFEST_NAME).is_file():
        return []
    message = "its SFZ is not the one its manifest describes; the manifest is left out"
    return [pack_finding("manifest-left-out", instrument.name, message)]


def format_findings(instrument: ReadyInstrument) -> list[PackFinding]:
    """Return a finding for every sample that metadata cannot be written into."""
    return [
        pack_finding(
            "sample-format",
            f"{instrument.name}: {instrument.relative(path)}",
            f"is {info.container}; only WAV and FLAC samples are packed",
        )
        for path, info in instrument.infos.items()
        if info.container not in ("WAV", "FLAC")
    ]


def sample_labels(instrument: ReadyInstrument, recipe: PackRecipe) -> dict[Path, SampleLabel]:
    """Return the label of each sample: root, tuning and loop of the first zone that plays it."""
    shared = source_label(recipe, instrument.declared.sources)
    tunings = _tunings(instrument.manifest)
    labels: dict[Path, SampleLabel] = {}
    for region in instrument.reading.regions:
        if region.sample_path is None or region.sample_path in labels:
            continue
        hints = read_embedded_hints(region.sample_path)
        root_key, tuning_cents = _root(region, hints, tunings.get(region.sample))
        labels[region.sample_path] = SampleLabel(
            **shared,
            title=_title(instrument, region, root_key),
            root_key=root_key,
            tuning_cents=tuning_cents,
            loop=_loop(region, hints),
            keys=(max(region.lokey, 0), min(max(region.hikey, 0), 127)),
            velocities=(max(region.lovel, 1), min(max(region.hivel, 1), 127)),
        )
    return labels


def _root(
    region: SfzRegion, hints: EmbeddedHints | None, known_cents: float | None
) -> tuple[int, float]:
    """Return the key that a sample sounds, and how many cents sharp of it.

    What the zone takes its root from is the file's word, and stays. Elsewhere the zone plays in
    tune: what it is transposed and tuned by, the sample is off its root. Whole semitones of that
    go into the key; less than half a semitone flat stays flat.

    known_cents : how sharp of the zone's root the sample was measured, where it was.
    """
    if region.keycenter_from_sample and hints is not None and hints.root_key is not None:
        return hints.root_key, hints.tuning_cents or 0.0
    played_cents = region.tune_cents + 100.0 * region.transpose_semitones
    cents = -played_cents if known_cents is None else known_cents
    semitones = math.floor(cents / 100) if cents > 0 else round(cents / 100)
    root_key = nearest_key(region.pitch_keycenter + semitones)
    return root_key, cents - 100.0 * semitones


def _loop(region: SfzRegion, hints: EmbeddedHints | None) -> Loop | None:
    """Return the loop of a sample: the zone's points, else those that the file itself names."""
    start, end = region.loop_start_frame, region.loop_end_frame
    if hints is not None:
        start = hints.loop_start_frame if start is None else start
        end = hints.loop_end_frame if end is None else end
    if start is None or end is None:
        return None
    return Loop(start_frame=start, end_frame=end)


def _tunings(manifest: Manifest | None) -> dict[str, float]:
    return {} if manifest is None else {one.sample: one.tuning_cents for one in manifest.zones}


def _title(instrument: ReadyInstrument, region: SfzRegion, root_key: int) -> str:
    parts = [instrument.name, key_name(root_key)]
    if (region.lovel, region.hivel) != (1, 127):
        parts.append(f"v{region.lovel}-{region.hivel}")
    if region.seq_length > 1:
        parts.append(f"turn {region.seq_position}")
    return " ".join(parts)


def packed_manifest(
    manifest: Manifest, names: Mapping[str, str], sums: Mapping[str, str], gain_db: float
) -> Manifest:
    """Return a manifest that speaks of the samples as they lie in the pack.

    names : new path by old. sums : SHA-256 by new path.
    """
    return replace(
        manifest,
        zones=tuple(
            replace(
                zone,
                sample=names.get(zone.sample, zone.sample),
                gain_db=zone.gain_db + gain_db,
            )
            for zone in manifest.zones
        ),
        notes=tuple(
            replace(
                note,
                sample=replace(
                    note.sample,
                    file=names.get(note.sample.file, note.sample.file),
                    sha256=sums.get(names.get(note.sample.file, ""), note.sample.sha256),
                ),
            )
            for note in manifest.notes
        ),
    )
