"""The page as one HTML document: offline, sealed by a content-security policy."""

from __future__ import annotations

import base64
import hashlib
import json
from collections.abc import Sequence
from importlib.resources import files
from typing import Any

from keymapper import __version__
from keymapper.reporting.page.content import PageContent, PageNote, PageZone
from keymapper.reporting.page.elements import document_text, raw, tag
from keymapper.reporting.page.sections import contents_list, page_header, page_sections, player
from keymapper.workers import Workers


def page_document(content: PageContent, made_from: str = "", workers: Workers | None = None) -> str:
    """Return the page of some content as HTML text.

    made_from : a fingerprint of what it was made from, to know it again by.
    workers : to draw the notes with; without, this process does.
    """
    style = _asset("page.css")
    scripts = [_asset("sound.js"), _asset("page.js")] if content.zones else []
    sections = page_sections(content, workers or Workers(1))
    head = tag(
        "head",
        tag("meta", charset="utf-8"),
        tag("meta", http_equiv="Content-Security-Policy", content=_policy(style, scripts)),
        tag("meta", name="viewport", content="width=device-width, initial-scale=1"),
        tag("meta", name="generator", content=f"keymapper {__version__}"),
        tag("meta", name="made-from", content=made_from) if made_from else None,
        tag("meta", name="color-scheme", content="light dark"),
        tag("title", f"{content.title} – {content.kind.lower()} report"),
        raw("style", style),
    )
    body = tag(
        "body",
        tag("a", "Skip to the report", href="#report", class_="skip"),
        page_header(content),
        contents_list(sections),
        tag("main", *sections, id="report"),
        player() if content.zones else None,
        raw("script", _script_json(_sound_data(content)), type="application/json", id="sound"),
        *(raw("script", script) for script in scripts),
    )
    return document_text(tag("html", head, body, lang="en"))


def _asset(name: str) -> str:
    return files(__package__).joinpath(name).read_text(encoding="utf-8")


def _policy(style: str, scripts: Sequence[str]) -> str:
    """Return a policy that lets our own style and scripts run, and samples beside the page play."""
    allowed = " ".join(f"'{_fingerprint(script)}'" for script in scripts) or "'none'"
    return "; ".join(
        (
            "default-src 'none'",
            f"script-src {allowed}",
            f"style-src '{_fingerprint(style)}'",
            "media-src 'self'",
            "connect-src 'self'",
            "base-uri 'none'",
            "form-action 'none'",
        )
    )


def _fingerprint(text: str) -> str:
    digest = hashlib.sha256(text.encode("utf-8")).digest()
    return f"sha256-{base64.b64encode(digest).decode('ascii')}"


def _script_json(data: Any) -> str:
    """Return JSON without any character that means something to HTML."""
    text = json.dumps(data, ensure_ascii=True, allow_nan=False, separators=(",", ":"))
    return text.replace("&", "\\u0026").replace("<", "\\u003c").replace(">", "\\u003e")


def _sound_data(content: PageContent) -> dict[str, Any]:
    """Return what the script needs to play."""
    return {
        "notes": [_note_data(note) for note in content.notes],
        "zones": [_zone_data(zone) for zone in content.zones],
    }


def _note_data(note: PageNote) -> dict[str, Any]:
    preview = None if note.view is None else note.view.preview
    return {
        "name": note.name,
        "sample": note.sample,
        "rate": note.rate,
        "preview": None
        if preview is None
        else {
            "flac": preview.base64,
            "channels": preview.channels,
            "shortened": preview.shortened,
            "loop": [preview.start_frame, preview.end_frame],
        },
    }


def _zone_data(zone: PageZone) -> dict[str, Any]:
    """Return a zone as it was written: the correction in whole cents."""
    one, fade = zone.zone, zone.zone.velocity_fade
    return {
        "note": zone.note,
        "instrument": zone.instrument,
        "root": one.root_key,
        "cents": round(one.target_cents - one.tuning_cents),
        "keys": [one.low_key, one.high_key],
        "velocities": [one.low_velocity, one.high_velocity],
        "fade": None if fade is None else [fade.in_low, fade.in_high, fade.out_low, fade.out_high],
        "turn": [one.round_robin, one.round_robins],
        "trigger": one.trigger,
        "gainDb": one.gain_db,
        "pan": one.pan_percent,
        "tracking": one.velocity_tracking,
        "curve": [[point.velocity, point.gain_db] for point in one.velocity_gains],
        "mode": one.play_mode,
        "loop": None if one.loop is None else [one.loop.start_frame, one.loop.end_frame],
        "hold": one.envelope.hold_seconds,
        "decay": one.envelope.decay_db_per_second,
        "release": one.envelope.release_seconds,
        "choke": one.choke_group,
    }
