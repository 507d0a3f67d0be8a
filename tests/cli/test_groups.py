"""Options of a command that lie in one dataclass are options like any other."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated

import typer
from typer.testing import CliRunner

from keymapper.cli.groups import with_groups


@dataclass(frozen=True, slots=True, kw_only=True)
class Tone:
    """Of a bell."""

    key: Annotated[int, typer.Option(min=0, help="Its key.")] = 60
    loud: Annotated[bool, typer.Option("--loud")] = False


@with_groups
def ring(
    times: Annotated[int, typer.Argument()],
    tone: Tone = Tone(),
    quiet: Annotated[bool, typer.Option("--quiet")] = False,
) -> None:
    """Ring a bell."""
    typer.echo(f"{times} {tone} {quiet}")


def _rung(*words: str) -> str:
    app = typer.Typer(rich_markup_mode=None)
    app.command()(ring)
    return CliRunner().invoke(app, words).output


def test_options_of_a_group_are_given_as_its_dataclass():
    assert _rung("3", "--loud", "--key", "4") == f"3 {Tone(key=4, loud=True)} False\n"
    assert _rung("3", "--quiet") == f"3 {Tone()} True\n"


def test_they_stand_in_the_help_where_the_group_stands():
    told = _rung("--help")
    assert told.index("Ring a bell") < told.index("--key") < told.index("--loud")
    assert told.index("--loud") < told.index("--quiet")
    assert "--tone" not in told


def test_their_limits_hold():
    assert "Invalid value for '--key'" in _rung("3", "--key", "-1")


def test_a_program_may_call_it_with_some_of_them(capsys):
    ring(times=3, key=4)
    assert capsys.readouterr().out == f"3 {Tone(key=4)} False\n"
