"""The `smpl` chunk of a copied WAV, brought into agreement with the zone that plays it."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from keymapper.auditing.fixes.plan import ZoneFix
from keymapper.auditing.subject import PackZone
from keymapper.formats.wav_chunks import SampleChunks, inst_body, smpl_body
from keymapper.formats.wav_rewrite import rewrite_chunks
from keymapper.model.finding import Mended
from keymapper.model.keys import key_name, nearest_key
from keymapper.model.loop import Loop


def mend_chunks(path: Path, file: str, zone: PackZone, fix: ZoneFix) -> Iterator[Mended]:
    """Write root, tuning and loop of a mended zone into its WAV where they differ.

    Yields what changed.
    """
    facts = zone.facts
    if facts is None or facts.container != "WAV" or zone.shares_file:
        return
    if zone.region.keycenter_from_sample:
        return
    if not (fix.agree or fix.no_loop or fix.root_key is not None or fix.loop is not None):
        return
    embedded = facts.embedded
    root = zone.root_key if fix.root_key is None else fix.root_key
    loop = _loop(zone, fix)
    named = embedded.loop if embedded else None
    old_root = embedded.root_key if embedded else None
    if loop == named and old_root in (root, None):
        return
    rewrite_chunks(path, _bodies(zone, root, loop))
    if old_root not in (root, None):
        yield _mended(file, "smpl root", key_name(old_root or 0), key_name(root))
    if loop != named:
        yield _mended(file, "smpl loop", _text(named), _text(loop))


def _loop(zone: PackZone, fix: ZoneFix) -> Loop | None:
    if fix.no_loop:
        return None
    if fix.loop is not None:
        return fix.loop
    return None if zone.loop is None or zone.loop.join is None else zone.loop.loop


def _bodies(zone: PackZone, root: int, loop: Loop | None) -> dict[str, bytes]:
    assert zone.facts is not None
    pitch, region = zone.facts.measurement.pitch, zone.region
    tuning = pitch.tuning_cents if pitch.root_key == root and pitch.tuning_cents else 0.0
    chunks = SampleChunks(
        root_key=root,
        tuning_cents=tuning,
        loop=loop,
        low_key=nearest_key(region.lokey),
        high_key=nearest_key(region.hikey),
        low_velocity=min(127, max(0, region.lovel)),
        high_velocity=min(127, max(0, region.hivel)),
        info={},
    )
    return {"smpl": smpl_body(chunks, zone.facts.rate), "inst": inst_body(chunks)}


def _mended(file: str, what: str, before: str, after: str) -> Mended:
    return Mended(pack="", file=file, zone=None, what=what, before=before, after=after)


def _text(loop: Loop | None) -> str:
    return "none" if loop is None else f"{loop.start_frame}..{loop.end_frame - 1}"
