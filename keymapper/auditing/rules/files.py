"""Rules about the files of a pack."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator, Mapping

from keymapper.auditing.rule import Hit, Outcome, rule
from keymapper.auditing.subject import Pack, PackInstrument, PackSample


def _problems(instrument: PackInstrument, kind: str, message: str = "") -> Iterator[Outcome]:
    for problem in instrument.problems:
        if problem.kind == kind:
            yield Hit(
                file=instrument.name,
                zone=f"line {problem.line}" if problem.line else None,
                measured=problem.actual or problem.subject,
                message=message or problem.message,
            )


@rule(
    "file-missing",
    "error",
    on="instrument",
    title="A sample is missing",
    why="The zone stays silent, or the whole instrument fails to load.",
    fix="Put the file in its place, or take the zone out.",
)
def missing(instrument: PackInstrument, _limit: float) -> Iterator[Outcome]:
    """Judge samples that a zone names and that are not there."""
    yield from _problems(instrument, "sample-missing")


@rule(
    "file-wrong-case",
    "error",
    on="instrument",
    title="A name is written in another case than on disk",
    why="It plays on one system and is silent on another.",
    fix="Write the name exactly as it is on disk.",
)
def wrong_case(instrument: PackInstrument, _limit: float) -> Iterator[Outcome]:
    """Judge samples found only when letter case is ignored."""
    yield from _problems(instrument, "wrong-case")


@rule(
    "file-outside-pack",
    "error",
    on="instrument",
    title="A path leaves the pack",
    why="On any other machine there is nothing at that place.",
    fix="Move the sample into the pack and name it by a relative path.",
)
def outside_pack(instrument: PackInstrument, _limit: float) -> Iterator[Outcome]:
    """Paths that were not opened because they lead out of the folder."""
    yield from _problems(instrument, "outside-pack")


@rule(
    "file-link-out",
    "warning",
    on="pack",
    title="A link leads out of the pack",
    why="On any other machine it leads nowhere.",
    fix="Put the file itself in the place of the link.",
)
def link_out(pack: Pack, _limit: float) -> Iterator[Outcome]:
    """Symbolic links to places outside; not opened."""
    for file in pack.links_out:
        yield Hit(file=file, message="is a link that leaves the pack; it was not opened")


@rule(
    "file-unused",
    "warning",
    on="pack",
    title="A sample is not used",
    why="It makes the pack larger, or its zone was forgotten.",
    fix="Map it, or take it out of the pack.",
)
def unused(pack: Pack, _limit: float) -> Iterator[Outcome]:
    """Audio that no instrument of the pack plays."""
    for file in pack.unused:
        yield Hit(file=file, message="is played by no zone")


@rule(
    "file-unreadable",
    "error",
    on="sample",
    title="A file cannot be read",
    why="Its zone stays silent.",
    fix="Export it again as WAV, AIFF or FLAC with one or two channels.",
)
def unreadable(sample: PackSample, _limit: float) -> Iterator[Outcome]:
    """Files that are empty, damaged, no audio, or have more than two channels."""
    if sample.facts is None:
        yield Hit(message=sample.unreadable.rstrip("."))


@rule(
    "file-truncated",
    "error",
    on="sample",
    limit=0.0,
    unit="frames",
    title="A file is cut short",
    why="Its header promises more sound than the file holds: a copy was interrupted.",
    fix="Copy or export it again.",
)
def truncated(sample: PackSample, limit: float) -> Iterator[Outcome]:
    """Frames that are promised and not there."""
    if sample.facts is not None and sample.facts.missing_frames > limit:
        missing_frames = sample.facts.missing_frames
        yield Hit(measured=missing_frames, message=f"lacks {missing_frames} frames of sound")


@rule(
    "file-mixed-rates",
    "warning",
    on="pack",
    title="Samples of different rates",
    why="Players resample the odd ones: they sound a little different and cost more.",
    fix="Export all samples at one rate.",
)
def mixed_rates(pack: Pack, _limit: float) -> Iterator[Outcome]:
    """Files that differ from the rate most have."""
    rates = {sample.file: sample.facts.rate for sample in pack.samples if sample.facts}
    yield from _odd_ones(rates, "Hz")


@rule(
    "file-mixed-depths",
    "warning",
    on="pack",
    title="Samples of different bit depths",
    why="The noise floor changes from note to note, and somebody converted some of them twice.",
    fix="Export all samples at one bit depth.",
)
def mixed_depths(pack: Pack, _limit: float) -> Iterator[Outcome]:
    """Files that differ from the encoding most have."""
    depths = {sample.file: sample.facts.encoding for sample in pack.samples if sample.facts}
    yield from _odd_ones(depths, "")


@rule(
    "file-mixed-channels",
    "note",
    on="pack",
    title="Mono and stereo samples in one pack",
    why="Some notes are wide and some are not.",
    fix="Make sure it is meant so.",
)
def mixed_channels(pack: Pack, _limit: float) -> Iterator[Outcome]:
    """Files that differ from the number of channels most have."""
    channels = {sample.file: sample.facts.channels for sample in pack.samples if sample.facts}
    yield from _odd_ones(channels, "channel(s)")


def _odd_ones(values: Mapping[str, int | str], unit: str) -> Iterator[Outcome]:
    counts = Counter(values.values())
    if len(counts) < 2:
        return
    usual = max(counts, key=lambda value: (counts[value], str(value)))
    for file, value in values.items():
        if value != usual:
            yield Hit(
                file=file,
                measured=value,
                limit=usual,
                message=f"has {value} {unit}".rstrip() + f", most have {usual}",
            )


@rule(
    "file-duplicate-audio",
    "warning",
    on="pack",
    title="The same audio under two names",
    why="It takes room twice, or one of them was meant to be another recording.",
    fix="Use one file in both places, or put the right recording in.",
)
def duplicate_audio(pack: Pack, _limit: float) -> Iterator[Outcome]:
    """Files whose decoded frames are equal."""
    groups: dict[str, list[str]] = defaultdict(list)
    for sample in pack.samples:
        if sample.facts is not None:
            groups[sample.facts.audio_sha256].append(sample.file)
    for first, *others in groups.values():
        for file in others:
            message = f"holds the same audio as {first}"
            yield Hit(file=file, measured=file, limit=first, message=message)


@rule(
    "file-text-chunk",
    "note",
    on="sample",
    title="A text chunk of the file cannot be read",
    why="What it says is lost to every tool.",
    fix="Write the chunk again, or take it out.",
)
def text_chunk(sample: PackSample, _limit: float) -> Iterator[Outcome]:
    """IXML that is no XML or declares a document type."""
    if sample.facts is not None:
        for problem in sample.facts.texts.problems:
            yield Hit(message=problem)
