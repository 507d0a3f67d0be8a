"""The stages joined: the whole flow from a folder of recorded notes to a playable instrument.

::

    takes.py     notes of a planned session, in its takes ─┐
    measure.py   find_recordings ─▶ measured_recording × n
    plan.py      names, decisions ─▶ places, gains
    build.py     write_sample × n ─▶ zones ─▶ manifest.json, .sfz
"""

from keymapper.pipeline.build import (
    BuildSettings,
    build_from_takes,
    build_instrument,
    default_target,
)
from keymapper.pipeline.earlier import PROOF_NAME
from keymapper.pipeline.measure import MeasuredFolder, measure_folder
from keymapper.progress import Progress

__all__ = [
    "PROOF_NAME",
    "BuildSettings",
    "MeasuredFolder",
    "Progress",
    "build_from_takes",
    "build_instrument",
    "default_target",
    "measure_folder",
]
