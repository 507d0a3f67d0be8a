"""Rules about the two sides."""

from __future__ import annotations

from collections.abc import Iterator
from statistics import median

from keymapper.auditing.rule import Hit, Outcome, rule
from keymapper.auditing.subject import Pack, PackSample


@rule(
    "stereo-dead-side",
    "error",
    on="sample",
    limit=60.0,
    unit="dB",
    title="One side is dead",
    why="The note sits in one ear, and in mono it is half as loud.",
    fix="Record it again with both cables, or store the living side as mono.",
)
def dead_side(sample: PackSample, limit: float) -> Iterator[Outcome]:
    """Level of one side below the other."""
    if sample.facts is None:
        return
    channels = sample.facts.measurement.channels
    if channels.dead and abs(channels.balance_db) > limit:
        yield Hit(
            measured=round(abs(channels.balance_db), 1),
            message=f"its {channels.dead} side is dead",
        )


@rule(
    "stereo-inverted",
    "error",
    on="sample",
    limit=-0.9,
    unit="correlation",
    title="One side is the other upside down",
    why="In mono the note disappears.",
    fix="Turn the polarity of one side over.",
)
def inverted(sample: PackSample, limit: float) -> Iterator[Outcome]:
    """Correlation of the sides."""
    if sample.facts is None:
        return
    channels = sample.facts.measurement.channels
    if channels.count == 2 and not channels.dead and channels.correlation < limit:
        yield Hit(
            measured=round(channels.correlation, 3),
            message=f"its sides are upside down to each other ({channels.correlation:+.2f})",
        )


@rule(
    "stereo-mono-loss",
    "warning",
    on="sample",
    limit=6.0,
    unit="dB",
    title="Much is lost in mono",
    why="On a telephone, in a club or on one loudspeaker the note is thin.",
    fix="Narrow its sides, or record it with less chorus between them.",
)
def mono_loss(sample: PackSample, limit: float) -> Iterator[Outcome]:
    """Level of the mean of both sides below the sides; 3 dB is usual for wide sounds."""
    if sample.facts is None or sample.facts.measurement.channels.dead:
        return
    loss = sample.facts.mono_loss_db
    if loss > limit and sample.facts.measurement.channels.correlation >= -0.9:
        yield Hit(measured=round(loss, 1), message=f"loses {loss:.1f} dB in mono")


@rule(
    "stereo-equal-sides",
    "note",
    on="sample",
    title="Two equal sides are stored as stereo",
    why="It takes twice the room and twice the memory for nothing.",
    fix="Store it as mono.",
)
def equal_sides(sample: PackSample, _limit: float) -> Iterator[Outcome]:
    """Both sides hold the same frames."""
    if sample.facts and sample.facts.measurement.channels.equal:
        yield Hit(message="is stereo with two equal sides")


@rule(
    "stereo-lean",
    "warning",
    on="pack",
    limit=3.0,
    unit="dB",
    title="The note leans to one side",
    why="A scale wanders between the loudspeakers.",
    fix="Balance its sides, or record it again.",
)
def lean(pack: Pack, limit: float) -> Iterator[Outcome]:
    """Level of the right side over the left, by itself and against the others of the pack."""
    balances = {
        sample.file: sample.facts.measurement.channels.balance_db
        for sample in pack.samples
        if sample.facts
        and sample.facts.measurement.channels.count == 2
        and not sample.facts.measurement.channels.dead
    }
    usual = median(balances.values()) if balances else 0.0
    for file, balance in balances.items():
        if abs(balance) > limit and abs(balance) >= abs(balance - usual):
            side = "right" if balance > 0 else "left"
            yield Hit(
                file=file, measured=round(balance, 1), message=f"leans {abs(balance):.1f} dB {side}"
            )
        elif abs(balance - usual) > limit:
            yield Hit(
                file=file,
                measured=round(balance - usual, 1),
                message=f"leans {abs(balance - usual):.1f} dB away from the others",
            )
