"""What the maker declares about rights, held against the licences it names.

The tool records and compares declarations. It gives no legal advice.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from keymapper.formats.toml_tables import nearest_name
from keymapper.model.pack import OWN_RECORDING, PackFinding, PackRecipe, SoundSource
from keymapper.packing.findings import pack_finding

RIGHTS_NOTE = (
    "This pack records what its maker declares about rights and licences. It gives no legal "
    "advice, and nobody has checked the declarations."
)
_OWN_LICENCE = "LicenseRef-"


@dataclass(frozen=True, slots=True, kw_only=True)
class LicenceTerms:
    """What a licence says about the uses that a pack makes of a sound."""

    title: str
    may_sell: bool = True
    may_change: bool = True
    needs_credit: bool = True
    share_alike: bool = False


LICENCES: dict[str, LicenceTerms] = {
    "CC0-1.0": LicenceTerms(title="Creative Commons Zero 1.0", needs_credit=False),
    "PDDL-1.0": LicenceTerms(title="Public Domain Dedication 1.0", needs_credit=False),
    "Unlicense": LicenceTerms(title="The Unlicense", needs_credit=False),
    "0BSD": LicenceTerms(title="BSD Zero Clause", needs_credit=False),
    "MIT": LicenceTerms(title="MIT"),
    "BSD-2-Clause": LicenceTerms(title="BSD 2-Clause"),
    "BSD-3-Clause": LicenceTerms(title="BSD 3-Clause"),
    "Apache-2.0": LicenceTerms(title="Apache 2.0"),
    **{
        f"CC-BY-{version}": LicenceTerms(title=f"Creative Commons Attribution {version}")
        for version in ("2.0", "2.5", "3.0", "4.0")
    },
    **{
        f"CC-BY-SA-{version}": LicenceTerms(
            title=f"Creative Commons Attribution Share Alike {version}", share_alike=True
        )
        for version in ("2.0", "2.5", "3.0", "4.0")
    },
    **{
        f"CC-BY-{kind}-{version}": LicenceTerms(
            title=f"Creative Commons Attribution {words} {version}",
            may_sell="NC" not in kind,
            may_change="ND" not in kind,
            share_alike="SA" in kind,
        )
        for version in ("2.0", "2.5", "3.0", "4.0")
        for kind, words in (
            ("NC", "Non Commercial"),
            ("ND", "No Derivatives"),
            ("NC-SA", "Non Commercial Share Alike"),
            ("NC-ND", "Non Commercial No Derivatives"),
        )
    },
}
"""By SPDX id."""
_ASKING_NOTHING = frozenset(name for name, terms in LICENCES.items() if not terms.needs_credit)


def rights_findings(recipe: PackRecipe) -> list[PackFinding]:
    """Return what in the declarations forbids this pack, or is missing from them."""
    findings = list(_of_pack(recipe))
    for instrument in recipe.instrument:
        where = instrument.name or instrument.folder
        if not instrument.sources:
            message = "nothing is said about where its sounds come from"
            findings.append(pack_finding("rights-undeclared", where, message))
        for source in instrument.sources:
            findings += _of_source(source, where, recipe.licence)
    return findings


def _of_pack(recipe: PackRecipe) -> Iterator[PackFinding]:
    if recipe.licence_file is not None:
        return
    if recipe.licence.startswith(_OWN_LICENCE):
        message = f"{recipe.licence} is a licence of your own, and its text is missing"
        yield pack_finding("licence-text", "the pack", message)
    elif recipe.licence not in LICENCES:
        message = f"licence {recipe.licence} is not known here{_nearest(recipe.licence)}"
        yield pack_finding("licence-text", "the pack", message)


def _of_source(source: SoundSource, where: str, pack_licence: str) -> Iterator[PackFinding]:
    if source.rights == OWN_RECORDING:
        return
    name = f"{where}: {source.what}"
    if source.rights.startswith(_OWN_LICENCE):
        if source.passing_on is None:
            message = f"nothing is said about whether {source.rights} allows passing it on"
            yield pack_finding("rights-unknown", name, message)
        elif not source.passing_on:
            message = f"{source.rights} does not allow passing it on, as you declare"
            yield pack_finding("rights-forbid", name, message)
        elif pack_licence in _ASKING_NOTHING:
            yield _differing(source, name, pack_licence)
        return
    terms = LICENCES.get(source.rights)
    if terms is None:
        message = f"licence {source.rights!r} is not known here{_nearest(source.rights)}"
        yield pack_finding("rights-unknown", name, message)
        return
    if not terms.may_sell:
        message = f"{source.rights} does not allow selling it"
        yield pack_finding("rights-forbid", name, message)
    if not terms.may_change:
        message = f"{source.rights} does not allow making an instrument of it"
        yield pack_finding("rights-forbid", name, message)
    if terms.share_alike and pack_licence != source.rights:
        message = f"{source.rights} asks that the pack has the same licence, not {pack_licence}"
        yield pack_finding("rights-share-alike", name, message)
    if terms.needs_credit and pack_licence in _ASKING_NOTHING:
        yield _differing(source, name, pack_licence)
    if terms.needs_credit and not source.credit.strip():
        message = f"{source.rights} asks for a credit, and none is given"
        yield pack_finding("rights-credit", name, message)


def _differing(source: SoundSource, name: str, pack_licence: str) -> PackFinding:
    message = f"is under {source.rights}, while {pack_licence} of the pack asks for nothing"
    return pack_finding("rights-differ", name, message)


def _nearest(licence: str) -> str:
    nearest = nearest_name(licence, [OWN_RECORDING, *LICENCES])
    return f"; did you mean {nearest!r}?" if nearest else ""


def source_text(source: SoundSource) -> str:
    """Return what is declared about a source in one line."""
    if source.rights == OWN_RECORDING:
        rights = "own recording"
    else:
        terms = LICENCES.get(source.rights)
        rights = f"{source.rights} ({terms.title})" if terms else source.rights
    credit = f"; {source.credit}" if source.credit else ""
    return f"{source.what}: {rights}{credit}"


def licence_text(recipe: PackRecipe, own_text: str | None) -> str:
    """Return the text of the pack's LICENSE.txt.

    own_text : what the maker's `licence_file` holds; None where there is none.
    """
    lines = [f"{recipe.title} {recipe.version}", f"Copyright (c) {recipe.year} {recipe.maker}"]
    terms = LICENCES.get(recipe.licence)
    named = f"{recipe.licence} ({terms.title})" if terms else recipe.licence
    lines += [f"Licence, as its maker declares: {named}"]
    if own_text is None:
        lines += [f"Full text: https://spdx.org/licenses/{recipe.licence}.html"]
    sources = [
        f"{instrument.name or instrument.folder}: {source_text(source)}"
        for instrument in recipe.instrument
        for source in instrument.sources
    ]
    lines += ["", "Where the sounds come from, as the maker declares:", *sources]
    lines += ["", RIGHTS_NOTE]
    if own_text is not None:
        lines += ["", "-" * 72, "", own_text.strip()]
    return "\n".join(lines) + "\n"
