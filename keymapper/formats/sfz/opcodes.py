"""Which SFZ opcodes there are, how their values are read, and where they go in a region."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Literal

Kind = Literal["key", "integer", "number", "text", "choice"]
Part = Literal["region", "envelope", "filter", "velocity_crossfade", "key_crossfade"]


@dataclass(frozen=True, slots=True, kw_only=True)
class OpcodeRule:
    """How one opcode is read: the field it fills, the kind of value and its range."""

    field: str
    kind: Kind = "number"
    low: float = -1e9
    high: float = 1e9
    part: Part = "region"
    choices: tuple[str, ...] = ()


def _number(field: str, low: float, high: float, part: Part = "region") -> OpcodeRule:
    return OpcodeRule(field=field, low=low, high=high, part=part)


def _integer(field: str, low: float, high: float) -> OpcodeRule:
    return OpcodeRule(field=field, kind="integer", low=low, high=high)


def _key(field: str, part: Part = "region") -> OpcodeRule:
    return OpcodeRule(field=field, kind="key", low=-1, high=127, part=part)


def _choice(field: str, *choices: str, part: Part = "region") -> OpcodeRule:
    return OpcodeRule(field=field, kind="choice", choices=choices, part=part)


_FRAMES = 2.0**40
_FILTERS = (
    *(f"{shape}_{poles}p" for shape in ("lpf", "hpf", "bpf", "brf") for poles in (1, 2, 4, 6)),
    *(f"{shape}_2p_sv" for shape in ("lpf", "hpf", "bpf", "brf")),
    *("comb", "pink", "lsh", "hsh", "peq"),
)

RULES: dict[str, OpcodeRule] = {
    "lokey": _key("lokey"),
    "hikey": _key("hikey"),
    "lovel": _integer("lovel", 0, 127),
    "hivel": _integer("hivel", 0, 127),
    "pitch_keycenter": _key("pitch_keycenter"),
    "pitch_keytrack": _number("pitch_keytrack_cents", -1200, 1200),
    "tune": _number("tune_cents", -12800, 12800),
    "transpose": _number("transpose_semitones", -127, 127),
    "volume": _number("volume_db", -200, 60),
    "amplitude": _number("amplitude_percent", 0, 10000),
    "pan": _number("pan_percent", -100, 100),
    "amp_keytrack": _number("amp_keytrack_db", -96, 12),
    "amp_keycenter": _key("amp_keycenter"),
    "amp_veltrack": _number("amp_veltrack_percent", -100, 100),
    "loop_mode": _choice("loop_mode", "no_loop", "one_shot", "loop_continuous", "loop_sustain"),
    "loop_start": _integer("loop_start_frame", 0, _FRAMES),
    "loop_end": _integer("loop_end_frame", -1, _FRAMES),
    "loop_crossfade": _number("loop_crossfade_seconds", 0, 100),
    "offset": _integer("offset_frames", 0, _FRAMES),
    "end": _integer("end_frame", -1, _FRAMES),
    "delay": _number("delay_seconds", 0, 100),
    "direction": _choice("reverse", "forward", "reverse"),
    "trigger": _choice("trigger", "attack", "release", "release_key", "first", "legato"),
    "rt_decay": _number("rt_decay_db", 0, 200),
    "seq_length": _integer("seq_length", 1, 100),
    "seq_position": _integer("seq_position", 1, 100),
    "lorand": _number("lorand", 0, 1),
    "hirand": _number("hirand", 0, 1),
    "group": _integer("group", -(2**31), 2**32),
    "off_by": _integer("off_by", -(2**31), 2**32),
    "off_mode": _choice("off_mode", "fast", "normal", "time"),
    "off_time": _number("off_time_seconds", 0, 100),
    "sw_lokey": _key("sw_lokey"),
    "sw_hikey": _key("sw_hikey"),
    "sw_last": _key("sw_last"),
    "sw_default": _key("sw_default"),
    "xfin_lovel": _number("in_low", 0, 127, "velocity_crossfade"),
    "xfin_hivel": _number("in_high", 0, 127, "velocity_crossfade"),
    "xfout_lovel": _number("out_low", 0, 127, "velocity_crossfade"),
    "xfout_hivel": _number("out_high", 0, 127, "velocity_crossfade"),
    "xf_velcurve": _choice("curve", "power", "gain", part="velocity_crossfade"),
    "xfin_lokey": _key("in_low", "key_crossfade"),
    "xfin_hikey": _key("in_high", "key_crossfade"),
    "xfout_lokey": _key("out_low", "key_crossfade"),
    "xfout_hikey": _key("out_high", "key_crossfade"),
    "xf_keycurve": _choice("curve", "power", "gain", part="key_crossfade"),
    "ampeg_delay": _number("delay_seconds", 0, 1000, "envelope"),
    "ampeg_attack": _number("attack_seconds", 0, 1000, "envelope"),
    "ampeg_hold": _number("hold_seconds", 0, 1000, "envelope"),
    "ampeg_decay": _number("decay_seconds", 0, 1000, "envelope"),
    "ampeg_sustain": _number("sustain_percent", 0, 100, "envelope"),
    "ampeg_release": _number("release_seconds", 0, 1000, "envelope"),
    "ampeg_start": _number("start_percent", 0, 100, "envelope"),
    "fil_type": _choice("kind", *_FILTERS, part="filter"),
    "cutoff": _number("cutoff_hz", 0, 1e6, "filter"),
    "resonance": _number("resonance_db", -144, 144, "filter"),
    "fil_keytrack": _number("keytrack_cents", -1200, 1200, "filter"),
    "fil_keycenter": _key("keycenter", "filter"),
    "fil_veltrack": _number("veltrack_cents", -9600, 9600, "filter"),
}

# Other spellings of the same thing.
ALIASES = {
    "loopmode": "loop_mode",
    "loopstart": "loop_start",
    "loopend": "loop_end",
    "loopcount": "loop_count",
    "looptype": "loop_type",
    "loopcrossfade": "loop_crossfade",
    "pitch": "tune",
    "gain": "volume",
    "gain_random": "amp_random",
    "offby": "off_by",
    "polyphony_group": "group",
    "bendup": "bend_up",
    "benddown": "bend_down",
}

CONTROLLER = re.compile(r"(\w+?)_?(?:on)?cc(\d{1,4})")
MODULATED = frozenset(
    (
        "volume",
        "amplitude",
        "pan",
        "tune",
        "cutoff",
        "resonance",
        "ampeg_delay",
        "ampeg_attack",
        "ampeg_hold",
        "ampeg_decay",
        "ampeg_sustain",
        "ampeg_release",
    )
)

# Opcodes that exist and that a region carries along as text. N is a number.
_OTHER = r"""
sample key amp_velcurve_N global_volume master_volume group_volume
global_amplitude master_amplitude group_amplitude global_label master_label group_label
region_label xf_cccurve xfin_loccN xfin_hiccN xfout_loccN xfout_hiccN loccN hiccN on_loccN on_hiccN
start_loccN start_hiccN stop_loccN stop_hiccN
default_path note_offset octave_offset set_ccN set_hdccN set_realccN label_ccN label_keyN
label_outputN hint_\w+ sw_down sw_up sw_previous sw_vel sw_label sw_lolast sw_hilast sw_trigger
sw_note_offset sw_octave_offset lobend hibend lochanaft hichanaft lopolyaft hipolyaft
lochan hichan loprog hiprog lobpm hibpm lotimer hitimer sustain_sw sostenuto_sw sustain_cc
sostenuto_cc sustain_lo sostenuto_lo count delay_random delay_beats stop_beats sync_beats
sync_offset offset_random offset_mode delay_samples waveguide md5 rt_dead
loop_count loop_type loop_tune polyphony note_polyphony note_selfmask polyphony_stealing
off_shape off_curve width position phase amp_random pitch_veltrack
pitch_random bend_up bend_down bend_step bend_stepup bend_stepdown bend_smooth
pan_keycenter pan_keytrack pan_veltrack global_tune master_tune group_tune
fil_random fil_gain fil2_(?:type|keytrack|keycenter|veltrack|gain) cutoff2 resonance2
(?:cutoff|cutoff2|resonance|resonance2)_(?:chanaft|polyaft|random)
(?:amp|pitch|fil)eg_(?:delay|attack|hold|decay|sustain|release|start|depth|dynamic)
(?:amp|pitch|fil)eg_(?:attack|decay|release)_(?:shape|zero)
(?:amp|pitch|fil)eg_vel2(?:delay|attack|hold|decay|sustain|release|start|depth)
(?:amp|pitch|fil)lfo_(?:delay|fade|freq|depth|depthchanaft|depthpolyaft|freqchanaft|freqpolyaft)
lfoN\w* egN\w* varN\w* eqN\w* noise_\w+ effectN output curve_index vN bus type
dsp_order fxNto\w+ directtomain fxNtomix oscillator oscillator_\w+ sample_quality
sample_dyn_paramN param_offset sample_fadeout image load_mode load_start load_end
reverse_loccN reverse_hiccN
"""
_KNOWN_PATTERN = re.compile("|".join(word.replace("N", r"\d+") for word in _OTHER.split()))


def is_known(name: str) -> bool:
    """Tell whether `name` is an SFZ opcode in any spelling this reader has heard of."""
    if name in RULES or name in ALIASES or _KNOWN_PATTERN.fullmatch(name):
        return True
    controlled = CONTROLLER.fullmatch(name)
    if controlled is None:
        return False
    target = re.sub(r"_(?:curve|smooth|step)$", "", controlled[1])
    target = ALIASES.get(target, target)
    return target in RULES or _KNOWN_PATTERN.fullmatch(target) is not None
