"""Even the instruments of a pack, so that stepping through them startles nobody."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median

from keymapper.formats.sfz import SfzRegion
from keymapper.mapping.headroom import MOST_VOLUME_DB
from keymapper.measuring.levels import amplitude_db
from keymapper.model.pack import PackFinding, PackRecipe, PreviewFacts
from keymapper.packing.findings import pack_finding
from keymapper.packing.instrument import ReadyInstrument
from keymapper.packing.levelling import PREVIEW_PEAK_DBTP

_MARGIN_DB = 0.1


@dataclass(frozen=True, slots=True, kw_only=True)
class GainBounds:
    """What bounds the gain of one instrument."""

    preview: PreviewFacts | None
    highest_volume_db: float
    """Of any zone, as built."""
    highest_peak_dbfs: float
    """Of any sample with its zone's volume, as built."""
    own_db: float
    """What the maker wants on top."""


def balance_gains(instruments: Sequence[GainBounds], *, even: bool) -> tuple[float, ...]:
    """Return one gain an instrument, in dB, to a thousandth.

    Evened, all previews are as loud as the middle one, or as loud as the one that can be turned up
    least: no zone's volume rises above +6 dB, no sample's peak above full scale as it is played,
    no preview's peak above -1 dBTP. An instrument without a preview keeps its level.
    """
    heard = [one.preview for one in instruments if one.preview is not None]
    if not even or not heard:
        return tuple(round(one.own_db, 3) for one in instruments)
    reachable = [
        one.preview.loudness_lufs + max(0.0, room_db(one) - max(0.0, one.own_db))
        for one in instruments
        if one.preview is not None
    ]
    target = min(median(one.loudness_lufs for one in heard), *reachable, float("inf"))
    return tuple(
        round(one.own_db + (target - one.preview.loudness_lufs if one.preview else 0.0), 3)
        for one in instruments
    )


def room_db(bounds: GainBounds) -> float:
    """Return by how much an instrument may be turned up."""
    peak = PREVIEW_PEAK_DBTP if bounds.preview is None else bounds.preview.true_peak_dbtp
    return min(
        MOST_VOLUME_DB - bounds.highest_volume_db,
        -_MARGIN_DB - bounds.highest_peak_dbfs,
        PREVIEW_PEAK_DBTP - peak,
    )


def own_gain_findings(recipe: PackRecipe, instruments: Sequence[GainBounds]) -> list[PackFinding]:
    """Return a finding for every instrument that its maker's own gain alone makes too loud."""
    return [
        pack_finding(
            "gain-too-high",
            declared.name or declared.folder,
            f"balance_db = {declared.balance_db:g} is more than the {room_db(one):.1f} dB it has",
        )
        for declared, one in zip(recipe.instrument, instruments, strict=True)
        if one.own_db > max(0.0, room_db(one))
    ]


def gain_bounds(preview: PreviewFacts | None, editions: Sequence[ReadyInstrument]) -> GainBounds:
    """Return what bounds the gain of an instrument in all its editions."""
    played = [
        (region.volume_db, one.loudness[region.sample_path].true_peak_dbtp + _zone_db(region))
        for one in editions
        for region in one.reading.regions
        if region.sample_path is not None
    ]
    return GainBounds(
        preview=preview,
        highest_volume_db=max(volume for volume, _ in played),
        highest_peak_dbfs=max(peak for _, peak in played),
        own_db=editions[0].declared.balance_db,
    )


def _zone_db(region: SfzRegion) -> float:
    return region.volume_db + amplitude_db(region.amplitude_percent / 100.0)
