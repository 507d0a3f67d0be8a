"""A diagnosis in one plain sentence, and what to do about it."""

from __future__ import annotations

from keymapper.model.finding import Diagnosis, Estimate, WarmUp

NOTICEABLE_CENTS = 2.0
NOTICEABLE_SLOPE = 0.5
NOTICEABLE_DEPTH = 1.0
SURELY = 1.3
"""A cause is told where it is so many times its 95 % interval: in 1 or 2 of 100 sets by chance."""
TOLD_OUTLIERS = 6
SETTLED = 3.0
"""Time constants after which 5 % of a settling are left."""
_NUMBERS = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten")


def sentence_of(diagnosis: Diagnosis) -> str:
    """Return the sentence: the set as a whole, what moved it, and the notes that do not fit."""
    parts = [_whole(diagnosis.middle_cents)]
    slope = diagnosis.slope_cents_per_octave
    if _is_told(slope, NOTICEABLE_SLOPE):
        way = "sharper" if slope.value > 0 else "flatter"
        parts.append(f"it gets {_amount(slope)} {way} with every octave upwards")
    if diagnosis.warm_up is not None and _is_told(diagnosis.warm_up.depth_cents, NOTICEABLE_DEPTH):
        parts.append(_moved(diagnosis.warm_up))
    velocity = diagnosis.velocity_cents
    if velocity is not None and _is_told(velocity, NOTICEABLE_DEPTH):
        way = "sharper" if velocity.value > 0 else "flatter"
        parts.append(f"hard notes are {_amount(velocity)} {way} than soft ones")
    text = parts[0] if len(parts) == 1 else f"{', '.join(parts[:-1])}, and {parts[-1]}"
    return f"{text}; {_misfits(diagnosis)}.{_doubts(diagnosis)}"


def _is_told(cause: Estimate, noticeable: float) -> bool:
    return abs(cause.value) >= max(noticeable, SURELY * cause.error)


def _amount(cause: Estimate) -> str:
    return f"{abs(cause.value):.1f} ± {cause.error:.1f} cents"


def _whole(middle_cents: float) -> str:
    if abs(middle_cents) < 0.5:
        return "The set is in tune as a whole"
    way = "sharp" if middle_cents > 0 else "flat"
    return f"The set is {abs(middle_cents):.1f} cents {way} as a whole"


def _moved(warm_up: WarmUp) -> str:
    way = "sank" if warm_up.depth_cents.value > 0 else "rose"
    cents = _amount(warm_up.depth_cents)
    span = warm_up.span_minutes
    if warm_up.kind == "settling" and warm_up.settling_minutes is not None:
        span = min(span, SETTLED * warm_up.settling_minutes)
        return f"the oscillator {way} {cents}, most of it in the first {_time(span, warm_up)}"
    return f"the oscillator {way} {cents} over {_time(span, warm_up)}"


def _time(span: float, warm_up: WarmUp) -> str:
    return (
        f"{span:.0f} minutes"
        if warm_up.in_minutes and span >= 2
        else (f"{60 * span:.0f} seconds" if warm_up.in_minutes else f"{span:.0f} notes")
    )


def _misfits(diagnosis: Diagnosis) -> str:
    """Name the notes that stand out of the others, and say how far those scatter if it is heard."""
    outliers = diagnosis.outliers
    rests = [row.rest_cents or 0.0 for row in diagnosis.notes_table if not row.outlier]
    widest = max(map(abs, rests), default=0.0)
    scatter = f"up to {widest:.1f} cents from that" if widest >= NOTICEABLE_CENTS else ""
    if not outliers:
        return f"single notes lie {scatter}" if scatter else "all notes fit"
    count = len(outliers)
    number = _NUMBERS[count] if count < len(_NUMBERS) else str(count)
    names = ", ".join(outliers[:TOLD_OUTLIERS]) + (", …" if count > TOLD_OUTLIERS else "")
    verb = "note does" if count == 1 else "notes do"
    others = f"; the others lie {scatter}" if scatter else ""
    return f"{number} {verb} not fit: {names}{others}"


def _doubts(diagnosis: Diagnosis) -> str:
    slope = diagnosis.slope_cents_per_octave
    if diagnosis.order_from == "none":
        return " Nothing says in which order the notes were recorded, so warm-up was not judged."
    if diagnosis.inseparable and _is_told(slope, NOTICEABLE_SLOPE):
        return (
            " Keys and time rise together in this recording: what looks like scaling over the "
            "keyboard may as well be drift."
        )
    return f" The order of recording is from {diagnosis.order_from}."


def advice_of(diagnosis: Diagnosis) -> tuple[str, ...]:
    """Return what to do, the most useful first."""
    advice = []
    if abs(diagnosis.middle_cents) >= NOTICEABLE_CENTS:
        advice.append(
            f"Retune all by {-diagnosis.middle_cents:+.0f} cents with `tune`, "
            "or let --write-fixes tune each note."
        )
    slope = diagnosis.slope_cents_per_octave
    if _is_told(slope, 1.0) and not diagnosis.inseparable:
        advice.append(
            f"Trim the keyboard scaling of the instrument by {-slope.value:+.1f} cents an octave "
            "before recording again; --write-fixes takes it out of these notes."
        )
    warm_up = diagnosis.warm_up
    if warm_up is not None and _is_told(warm_up.depth_cents, NOTICEABLE_CENTS):
        advice.append(_warm_up_advice(warm_up))
    if diagnosis.outliers:
        names = ", ".join(diagnosis.outliers[:TOLD_OUTLIERS])
        more = "" if len(diagnosis.outliers) <= TOLD_OUTLIERS else ", …"
        advice.append(f"Record these again, or let --write-fixes tune them: {names}{more}.")
    return tuple(advice)


def _warm_up_advice(warm_up: WarmUp) -> str:
    if warm_up.kind == "settling" and warm_up.settling_minutes is not None:
        wait = _time(SETTLED * warm_up.settling_minutes, warm_up)
        return f"Let the instrument run for {wait} before recording; --write-fixes tunes these."
    return "Let the instrument run longer before recording, or shuffle the order of the keys."
