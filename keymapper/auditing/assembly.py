"""From what was read and what was measured to the pack that rules look at."""

from __future__ import annotations

from collections.abc import Container, Mapping, Sequence
from dataclasses import replace

from keymapper.auditing.deviations import UNSET, as_set, is_kit
from keymapper.auditing.facts import WHOLE, LoopRequest, Stretch
from keymapper.auditing.reading import ReadInstrument, ReadPack, ReadRegion
from keymapper.auditing.subject import (
    LOOPING,
    LoopSource,
    Pack,
    PackInstrument,
    PackSample,
    PackZone,
)
from keymapper.formats.sfz import SfzRegion
from keymapper.mapping.assembling import resolved_layout
from keymapper.mapping.names import hints_from_names
from keymapper.mapping.names.hints import NameHint, SetHints
from keymapper.mapping.naming import measured_hint
from keymapper.model.recipe import Recipe
from keymapper.model.sample_facts import JudgedLoop, SampleFacts

Facts = Mapping[tuple[str, Stretch], SampleFacts | str]
"""By file and what is heard of it: what was measured, or why nothing could be."""


def assembled_pack(read: ReadPack, facts: Facts) -> Pack:
    """Return a pack with everything in its place."""
    samples = {
        file: _sample(file, facts.get((file, WHOLE), "was not measured")) for file in read.samples
    }
    if read.instruments:
        instruments = [_mapped(one, samples, facts, read.stretches) for one in read.instruments]
    else:
        instruments = [_recordings(read, samples)]
    zones = [zone for instrument in instruments for zone in instrument.zones]
    playing = {zone.file for zone in zones if zone.mapped}
    looped = {zone.file for zone in zones if zone.loop_from is not None}
    looped |= _looped_by_themselves(samples, {zone.file for zone in zones})
    samples = {
        file: replace(sample, mapped=file in playing, looped=file in looped)
        for file, sample in samples.items()
    }
    return Pack(
        name=read.source.name,
        samples=tuple(samples.values()),
        instruments=tuple(_with_samples(one, samples) for one in instruments),
        unused=tuple(file for file in read.samples if read.instruments and file not in playing),
        files=read.source.files,
        links_out=read.source.links_out,
        unnamable=read.source.unnamable,
    )


def _looped_by_themselves(
    samples: Mapping[str, PackSample], played: Container[str | None]
) -> set[str]:
    """Return the files that no zone plays and that say themselves how they loop."""
    return {
        file
        for file, sample in samples.items()
        if file not in played and played_loop(SfzRegion(sample=file), sample.facts)[1] is not None
    }


def _sample(file: str, facts: SampleFacts | str) -> PackSample:
    known = None if isinstance(facts, str) else facts
    reason = facts if isinstance(facts, str) else ""
    return PackSample(file=file, facts=known, unreadable=reason, mapped=False, looped=False)


def _with_samples(instrument: PackInstrument, samples: Mapping[str, PackSample]) -> PackInstrument:
    zones = tuple(
        zone
        if zone.file is None
        else replace(zone, sample=replace(samples[zone.file], facts=zone.facts))
        for zone in instrument.zones
    )
    return replace(instrument, zones=zones)


def _mapped(
    read: ReadInstrument,
    samples: Mapping[str, PackSample],
    facts: Facts,
    several: Container[str],
) -> PackInstrument:
    """Return an instrument as it is written; names of files in `several` say nothing of a zone."""
    files = sorted({one.file for one in read.regions if one.file and one.file not in several})
    names = _names(files, samples)
    hints = dict(zip(files, names.notes, strict=True))
    zones = [
        replace(
            _zone(read.name, one, _played(one, samples, facts), hints),
            shares_file=one.file in several,
        )
        for one in read.regions
    ]
    return as_set(
        PackInstrument(
            name=read.name,
            mapped=True,
            zones=tuple(zones),
            problems=read.problems,
            unknown_opcodes=read.reading.unknown_opcodes if read.reading else (),
            contradictions=names.contradictions,
            tuned=not is_kit(zones, read.reference_hz),
            offset_semitones=0,
            reference_hz=read.reference_hz,
            unreadable=read.unreadable,
        )
    )


def _played(read: ReadRegion, samples: Mapping[str, PackSample], facts: Facts) -> PackSample | None:
    """Return the sample of a zone; of a file with several sounds, with the facts of its own."""
    if read.file is None:
        return None
    own = facts.get((read.file, read.stretch))
    sample = samples[read.file]
    return sample if own is None or isinstance(own, str) else replace(sample, facts=own)


def _zone(
    instrument: str, read: ReadRegion, sample: PackSample | None, hints: Mapping[str, NameHint]
) -> PackZone:
    region = read.region
    facts = sample.facts if sample else None
    loop, source = played_loop(region, facts)
    root = region.pitch_keycenter
    if region.keycenter_from_sample and facts and facts.embedded and facts.embedded.root_key:
        root = facts.embedded.root_key
    return PackZone(
        instrument=instrument,
        region=region,
        file=read.file,
        sample=sample,
        root_key=root,
        target_cents=read.target_cents,
        loop=loop,
        loop_from=source,
        deviation=UNSET,
        hint=hints.get(read.file) if read.file else None,
        mapped=True,
    )


def played_loop(
    region: SfzRegion, facts: SampleFacts | None
) -> tuple[JudgedLoop | None, LoopSource | None]:
    """Return the loop a region plays and where its points come from; (None, None) for none.

    A loop in the file is played where no mode is named, but not by what sounds on release.
    """
    if facts is None:
        return None, None
    embedded = facts.embedded
    in_file = embedded is not None and embedded.loop_end_frame is not None
    unasked = "loop_continuous" if in_file and not region.is_release else "no_loop"
    if (region.loop_mode or unasked) not in LOOPING:
        return None, None
    asked = LoopRequest(start_frame=region.loop_start_frame, end_frame=region.loop_end_frame)
    wanted = asked.resolved(embedded, facts.frames)
    source: LoopSource = "opcodes"
    if asked.start_frame is None and asked.end_frame is None:
        source = "file" if in_file else "whole file"
    judged = next((one for one in facts.loops if one.loop == wanted), None)
    return judged, source if judged else None


def _recordings(read: ReadPack, samples: Mapping[str, PackSample]) -> PackInstrument:
    """Return a folder of recordings as the zones its names, else its sounds, tell of.

    The right side of a stereo recording is no note, and no repeat, of its own.
    """
    files = [file for file in read.samples if samples[file].facts and file not in read.right_sides]
    measurements = [facts.measurement for file in files if (facts := samples[file].facts)]
    keyed = bool(files) and resolved_layout(files, measurements, Recipe()) == "keys"
    names = _names(files, samples if keyed else {})
    offset = names.offset_semitones or 0
    zones = [
        _recorded_zone(samples[file], hint, offset)
        for file, hint in zip(files, names.notes, strict=True)
    ]
    return as_set(
        PackInstrument(
            name="",
            mapped=False,
            zones=tuple(zones),
            problems=(),
            unknown_opcodes=(),
            contradictions=names.contradictions,
            tuned=keyed,
            offset_semitones=0,
            reference_hz=read.reference_hz,
            unreadable="",
        )
    )


def _recorded_zone(sample: PackSample, hint: NameHint, offset: int) -> PackZone:
    """Put a recording on the key its name says, else on the one that sounds."""
    facts = sample.facts
    sounding = facts.measurement.pitch.root_key if facts else None
    named = None if hint.key is None else min(127, max(0, hint.key + offset))
    root = named if named is not None else 60 if sounding is None else sounding
    region = SfzRegion(
        sample=sample.file,
        lokey=root,
        hikey=root,
        pitch_keycenter=root,
        lovel=hint.velocity or 1,
        hivel=hint.velocity or 127,
        seq_position=hint.round_robin or 1,
        trigger="release" if hint.is_release else "attack",
    )
    loop, source = played_loop(region, facts)
    return PackZone(
        instrument="",
        region=region,
        file=sample.file,
        sample=sample,
        root_key=root,
        target_cents=0.0,
        loop=loop,
        loop_from=source,
        deviation=UNSET,
        hint=hint,
        mapped=False,
    )


def _names(files: Sequence[str], samples: Mapping[str, PackSample]) -> SetHints:
    known = [sample.facts if (sample := samples.get(file)) else None for file in files]
    heard = [measured_hint(facts.measurement) if facts else None for facts in known]
    return hints_from_names(files, heard)
