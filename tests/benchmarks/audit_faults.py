"""Planted faults that the audit finds under the right rule (goal 98 %), and false alarms (none).

    python tests/benchmarks/audit_faults.py [SEEDS]

Packs and faults are rendered from seeds that nothing was tuned on. Every rule is planted about
equally often. Faultless packs, and the demo sets built into instruments, must give no warning.
"""

from __future__ import annotations

import sys
import tempfile
from collections import Counter
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))

from keymapper import BuildSettings, build_instrument
from keymapper.auditing.audit import AuditSettings, audit_path
from keymapper.model.finding import Finding
from tests import pack_faults, pack_loop_faults, pack_map_faults
from tests.faulty_packs import RenderedPack, clean_pack, write_pack

FIRST_SEED = 930_000
PACKS = 60
CLEAN_PACKS = 20
FAULTS_A_PACK = 8
GOAL = 0.98
SAMPLE_SETS = Path(__file__).parents[2] / "sample_sets"
HELPERS = ("move_loop", "sign")
DEMO_SETS = ("harbour-pad", "quay-bass", "rope-pluck", "dock-hits")
Fault = Callable[[RenderedPack], None]


def all_faults() -> list[Fault]:
    """Every planting function of the three modules, by name."""
    return [
        fault
        for module in (pack_faults, pack_loop_faults, pack_map_faults)
        for name, fault in sorted(vars(module).items())
        if not name.startswith("_")
        and name not in HELPERS
        and getattr(fault, "__module__", "") == module.__name__
    ]


def spoiled_pack(seed: int, planted: Counter[str]) -> RenderedPack:
    """A pack with the faults that were planted least so far, as far as they fit it."""
    pack = clean_pack(seed)
    rng = np.random.default_rng(seed + 1)
    faults = all_faults()
    order = sorted(faults, key=lambda fault: (planted[fault.__name__], rng.random()))
    count = 0
    for fault in order:
        if count == FAULTS_A_PACK:
            break
        try:
            fault(pack)
        except LookupError:
            continue
        planted[fault.__name__] += 1
        count += 1
    return pack


def is_found(rule: str, file: str | None, findings: Sequence[Finding]) -> bool:
    return any(one.rule == rule and file in (None, one.file) for one in findings)


def audited(folder: Path) -> Sequence[Finding]:
    packs = audit_path(folder, AuditSettings())
    return [finding for one in packs for finding in one.judgement.findings]


def planted_faults(packs: int, place: Path) -> float:
    planted: Counter[str] = Counter()
    found: Counter[str] = Counter()
    total: Counter[str] = Counter()
    for seed in range(FIRST_SEED, FIRST_SEED + packs):
        pack = spoiled_pack(seed, planted)
        findings = audited(write_pack(pack, place / str(seed)))
        for rule, file in pack.truth:
            total[rule] += 1
            found[rule] += is_found(rule, file, findings)
            if not is_found(rule, file, findings):
                print(f"  missed: {rule} of seed {seed}, {file}")
    for rule in sorted(total):
        print(f"  {rule:<26} {found[rule]:3d} of {total[rule]:3d}")
    share = sum(found.values()) / sum(total.values())
    print(f"found {sum(found.values())} of {sum(total.values())} planted faults under their rule: "
          f"{100 * share:.1f} % (goal: {100 * GOAL:.0f} %)")  # fmt: skip
    return share


def false_alarms(packs: int, place: Path) -> int:
    alarms = 0
    for seed in range(FIRST_SEED + 50_000, FIRST_SEED + 50_000 + packs):
        alarms += _alarms(f"faultless pack {seed}", write_pack(clean_pack(seed), place / str(seed)))
    for name in DEMO_SETS:
        build_instrument(SAMPLE_SETS / name, place / name, settings=BuildSettings())
        alarms += _alarms(f"demo set {name}, built", place / name)
        alarms += _alarms(f"demo set {name}, as recorded", SAMPLE_SETS / name, counted=False)
    what = f"{packs} faultless packs and {len(DEMO_SETS)} instruments"
    print(f"false alarms in {what}: {alarms} (goal: 0)")
    return alarms


def _alarms(what: str, folder: Path, *, counted: bool = True) -> int:
    grave = [finding for finding in audited(folder) if finding.severity != "note"]
    for finding in grave:
        print(f"  {what}: {finding.rule} {finding.file}: {finding.message}")
    return len(grave) if counted else 0


def main() -> int:
    packs = int(sys.argv[1]) if len(sys.argv) > 1 else PACKS
    with tempfile.TemporaryDirectory() as place:
        share = planted_faults(packs, Path(place))
        alarms = false_alarms(min(packs, CLEAN_PACKS), Path(place))
    good = share >= GOAL and alarms == 0
    print("pass" if good else "FAIL")
    return 0 if good else 1


if __name__ == "__main__":
    raise SystemExit(main())
