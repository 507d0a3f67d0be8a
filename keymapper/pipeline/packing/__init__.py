"""Instruments to a pack, and a pack to a verdict.

::

    ready.py    pack recipe ─▶ instruments: built if need be, audited, proved, measured
    pack.py     ─▶ gate ─▶ previews, balance ─▶ editions ─▶ archives ─▶ verify
    verify.py   archive or folder ─▶ findings
"""

from keymapper.pipeline.packing.pack import (
    EditionResult,
    PackResult,
    default_pack_target,
    make_pack,
)
from keymapper.pipeline.packing.ready import first_pack_recipe
from keymapper.pipeline.packing.settings import PackSettings
from keymapper.pipeline.packing.verify import VerifiedPack, verify_pack

__all__ = [
    "EditionResult",
    "PackResult",
    "PackSettings",
    "VerifiedPack",
    "default_pack_target",
    "first_pack_recipe",
    "make_pack",
    "verify_pack",
]
