"""What a buyer wants to know about an instrument, from its SFZ file and its samples."""

from __future__ import annotations

from collections.abc import Container, Mapping, Sequence
from dataclasses import replace
from pathlib import Path

from keymapper.formats.audio_file import AudioInfo, read_audio_info
from keymapper.formats.sample_texts import read_imprint
from keymapper.formats.sfz import SfzReading, SfzRegion
from keymapper.model.keys import key_name
from keymapper.model.pack import InstrumentFacts
from keymapper.proving.articulations import articulations, sounds_in, started_switch
from keymapper.proving.plan import attack_regions, mapped_keys
from keymapper.proving.proof import player_settings

_FLOAT_BYTES = 4


def instrument_facts(reading: SfzReading, infos: Mapping[Path, AudioInfo]) -> InstrumentFacts:
    """Return the facts of an instrument.

    infos : the header of every sample it plays.
    """
    regions = reading.regions
    keys = mapped_keys(regions)
    together = _sounding_together(reading, infos)
    by_key = [attack_regions(some, key) for some in together for key in keys]
    looped_files = {path for path in infos if _has_loop(path)}
    return InstrumentFacts(
        low_key=keys.start,
        high_key=max(keys.start, keys.stop - 1),
        zones=len(regions),
        samples=len(infos),
        velocity_layers=max(map(_layers, by_key), default=0),
        round_robins=max((region.seq_length for region in regions), default=1),
        voices=max(map(_voices, by_key), default=0),
        controls=tuple(
            f"{label} (controller {number})" for number, label in reading.control.labels
        ),
        switches=_switches(reading),
        looped=any(_loops(region, looped_files) for region in regions),
        one_shots=all(region.loop_mode == "one_shot" for region in regions),
        rates=tuple(sorted({info.rate for info in infos.values()})),
        bits=tuple(sorted({_bits(info) for info in infos.values()})),
        channels=tuple(sorted({info.channels for info in infos.values()})),
        file_bytes=sum(path.stat().st_size for path in infos),
        audio_bytes=sum(
            info.frames * info.channels * (_bits(info) // 8) for info in infos.values()
        ),
        memory_bytes=sum(info.frames * info.channels * _FLOAT_BYTES for info in infos.values()),
    )


def sample_infos(reading: SfzReading) -> dict[Path, AudioInfo]:
    """Return the header of every sample that an instrument plays, in name order.

    Raises
    ------
    InputError
        A sample is not audio.
    """
    paths = {region.sample_path for region in reading.regions}
    return {path: read_audio_info(path) for path in sorted(filter(None, paths))}


def _sounding_together(
    reading: SfzReading, infos: Mapping[Path, AudioInfo]
) -> list[list[SfzRegion]]:
    """Return what one note can start: of each articulation, as the first note and as legato."""
    regions = reading.regions
    settings = player_settings(reading, (info.rate for info in infos.values()))
    start = replace(settings, last_switch=started_switch(regions, settings))
    return [
        [
            region
            for region in regions
            if region.trigger != other and sounds_in(region, articulation, regions)
        ]
        for articulation in articulations(regions, start)
        for other in ("first", "legato")
    ]


def _has_loop(path: Path) -> bool:
    embedded = read_imprint(path).embedded
    return embedded is not None and embedded.loop_end_frame is not None


def _loops(region: SfzRegion, looped_files: Container[Path | None]) -> bool:
    """Say whether a region loops: as it says itself, else as its file does."""
    if region.loop_mode is not None:
        return region.loop_mode in ("loop_continuous", "loop_sustain")
    return not region.is_release and region.sample_path in looped_files


def _switches(reading: SfzReading) -> tuple[str, ...]:
    """Return the keys that choose an articulation, with what they are called."""
    labels: dict[int, str] = {}
    for region in reading.regions:
        if region.sw_last is not None:
            label = dict(region.other_opcodes).get("sw_label", "")
            labels[region.sw_last] = labels.get(region.sw_last) or label
    return tuple(f"{key_name(key)} {label}".strip() for key, label in sorted(labels.items()))


def _bits(info: AudioInfo) -> int:
    """Return the bits of a sample; floats count as 32."""
    digits = "".join(letter for letter in info.encoding if letter.isdecimal())
    return int(digits) if digits else 32


def _layers(regions: Sequence[SfzRegion]) -> int:
    return len({(region.lovel, region.hivel) for region in regions})


def _voices(regions: Sequence[SfzRegion]) -> int:
    """Return the most regions of a key that one note starts."""
    turns = range(1, max((region.seq_length for region in regions), default=1) + 1)
    chances = {region.lorand for region in regions}
    velocities = {region.lovel for region in regions}
    return max(
        (
            sum(
                region.lovel <= velocity <= region.hivel
                and (turn - 1) % region.seq_length + 1 == region.seq_position
                and region.lorand <= chance < region.hirand
                for region in regions
            )
            for velocity in velocities
            for turn in turns
            for chance in chances
        ),
        default=0,
    )
