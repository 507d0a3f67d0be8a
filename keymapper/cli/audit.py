"""`keymapper audit`: what is wrong with a pack, how far it has drifted, and what to do."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from keymapper.cli.groups import with_groups
from keymapper.cli.options import CACHE_MB, CacheSize, Processes, VerdictOnly

if TYPE_CHECKING:
    from keymapper.auditing.audit import AuditedPack
    from keymapper.formats.audit_table import AuditTable
    from keymapper.model.finding import AuditReport, Mended, RuleChange, Severity


@dataclass(frozen=True, slots=True, kw_only=True)
class Judging:
    """What is judged, and by which rules and limits."""

    recipe: Annotated[
        Path | None,
        typer.Option(help="Recipe whose [audit] counts.  [default: recipe.toml in PATH, if there]"),
    ] = None
    off: Annotated[
        list[str] | None, typer.Option(metavar='RULE="why"', help="Switch a rule or a family off.")
    ] = None
    limit: Annotated[
        list[str] | None, typer.Option(metavar='RULE=NUMBER:"why"', help="Move a limit.")
    ] = None
    reference: Annotated[
        float | None,
        typer.Option(min=300.0, max=600.0, help="Hz of A4.  [default: the manifest's, else 440]"),
    ] = None
    pack: Annotated[
        Path | None,
        typer.Option(help="Folder an .sfz may take samples from.  [default: its own]"),
    ] = None
    one: Annotated[bool, typer.Option("--one", help="Take all of PATH as one pack.")] = False


@dataclass(frozen=True, slots=True, kw_only=True)
class FixOptions:
    """Whether a corrected copy is written, and where."""

    write_fixes: Annotated[
        Path | None,
        typer.Option(metavar="DIR", help="Write a corrected copy; the original stays as it is."),
    ] = None
    force: Annotated[bool, typer.Option("--force", help="Replace an existing copy.")] = False


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasuringOptions:
    """How files are measured, and what is kept of it."""

    cache: Annotated[
        Path | None,
        typer.Option(
            help="Where measurements are kept, by content.  "
            "[default: $KEYMAPPER_CACHE, else keymapper/measurements in the user's cache folder]"
        ),
    ] = None
    cache_mb: CacheSize = CACHE_MB
    workers: Processes = None


@dataclass(frozen=True, slots=True, kw_only=True)
class PrintOptions:
    """How the report is printed."""

    json: Annotated[bool, typer.Option("--json", help="Print the report as JSON.")] = False
    csv: Annotated[bool, typer.Option("--csv", help="Print the tuning table as CSV.")] = False
    everything: Annotated[
        bool, typer.Option("--all", help="Tell notes and every place, however many.")
    ] = False
    quiet: VerdictOnly = False

    @property
    def is_for_people(self) -> bool:
        """Whether more is printed than the verdict or data."""
        return not (self.quiet or self.json or self.csv)


@with_groups
def audit(
    path: Annotated[
        Path | None,
        typer.Argument(
            metavar="PATH", help="A folder of samples, an .sfz, a manifest, or a tree of packs."
        ),
    ] = None,
    judging: Judging = Judging(),
    rules: Annotated[bool, typer.Option("--rules", help="List the rules.")] = False,
    explain: Annotated[
        str | None, typer.Option(metavar="RULE", help="Say all about one rule.")
    ] = None,
    fixes: FixOptions = FixOptions(),
    page: Annotated[
        bool,
        typer.Option("--page/--no-page", help="Write report.html, the page to see and hear."),
    ] = True,
    fail_on: Annotated[
        Literal["error", "warning", "note", "never"],
        typer.Option(help="Exit with 1 for findings as grave as this."),
    ] = "error",
    measuring: MeasuringOptions = MeasuringOptions(),
    printing: PrintOptions = PrintOptions(),
) -> None:
    """Report what is wrong with a pack, how far it has drifted, why, and what to do about it.

    Reads any folder of samples, any .sfz, a manifest, or a tree of packs. Changes nothing.
    """
    if rules or explain is not None:
        _tell_rules(explain)
        return
    from keymapper.auditing.audit import AuditSettings, audit_path, audit_report
    from keymapper.auditing.cache import open_cache
    from keymapper.cli.printing import shown_progress
    from keymapper.errors import UsageError

    if path is None:
        raise UsageError("name what is to be audited: a folder, an .sfz or a manifest.")
    table = _audit_table(path, judging.recipe)
    with shown_progress(quiet=not printing.is_for_people) as progress:
        settings = AuditSettings(
            changes=_changes(table, judging),
            reference_hz=judging.reference or table.reference_hz,
            pack_folder=judging.pack,
            as_one=judging.one,
            cache=open_cache(measuring.cache, measuring.cache_mb),
            workers=measuring.workers,
            progress=progress,
        )
        audited = audit_path(path, settings)
    mended = _mended(audited, fixes, measuring.workers)
    report = audit_report(audited, settings.changes, mended)
    drawn = _page(report, audited, measuring.workers) if page else None
    _print(report, drawn, printing)
    if _fails(report, fail_on):
        raise typer.Exit(1)


def _page(report: AuditReport, audited: list[AuditedPack], workers: int | None) -> Path:
    """Write the page into the current folder: what is audited is never touched."""
    from keymapper.reporting.page import PAGE_NAME
    from keymapper.reporting.page.audit_page import write_audit_page
    from keymapper.workers import Workers

    with Workers(workers) as pool:
        return write_audit_page(report, audited, Path(PAGE_NAME), pool)


def _mended(
    audited: list[AuditedPack], options: FixOptions, workers: int | None
) -> tuple[Mended, ...]:
    from keymapper.auditing.fixes.writing import write_fixes

    if options.write_fixes is None:
        return ()
    return write_fixes(audited, options.write_fixes, force=options.force, workers=workers)


def _tell_rules(identity: str | None) -> None:
    from keymapper.auditing.changes import known_rule
    from keymapper.auditing.rules import ALL_RULES
    from keymapper.reporting.audit_rules import explained_lines, rules_lines

    lines = rules_lines(ALL_RULES) if identity is None else explained_lines(known_rule(identity))
    for line in lines:
        typer.echo(line)


def _audit_table(path: Path, recipe: Path | None) -> AuditTable:
    from keymapper.formats.audit_table import AuditTable, read_audit_table
    from keymapper.formats.folder import RECIPE_NAME

    beside = (path if path.is_dir() else path.parent) / RECIPE_NAME
    if recipe is None and not beside.is_file():
        return AuditTable()
    return read_audit_table(recipe or beside)


def _changes(table: AuditTable, judging: Judging) -> tuple[RuleChange, ...]:
    from keymapper.auditing.changes import change_limit, change_off, checked_changes

    of_recipe = checked_changes(table.changes(), f"{judging.recipe or 'recipe.toml'} [audit]")
    typed = [*map(change_off, judging.off or []), *map(change_limit, judging.limit or [])]
    return (*of_recipe, *checked_changes(typed, "the options"))


def _print(report: AuditReport, page: Path | None, options: PrintOptions) -> None:
    from keymapper.cli.printing import output_console
    from keymapper.reporting.audit_data import report_json, tuning_csv
    from keymapper.reporting.audit_text import report_lines, summary_table
    from keymapper.reporting.plain import one_line

    if options.json or options.csv:
        typer.echo(tuning_csv(report) if options.csv else report_json(report), nl=False)
        return
    console = output_console()
    if not options.quiet:
        for line in report_lines(report, everything=options.everything):
            console.print(line, soft_wrap=True)
        if len(report.packs) > 1:
            console.print(summary_table(report))
        if page is not None:
            console.print(f"Page: {page}", soft_wrap=True)
    console.print(one_line(report.verdict), soft_wrap=True)


def _fails(report: AuditReport, fail_on: Severity | Literal["never"]) -> bool:
    from keymapper.model.finding import GRAVITY

    return fail_on != "never" and any(
        GRAVITY[finding.severity] >= GRAVITY[fail_on] for finding in report.findings
    )
