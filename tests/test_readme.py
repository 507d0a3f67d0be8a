"""The README tells the truth about the commands."""

import re
import subprocess
import sys
from pathlib import Path

import pytest

README = (Path(__file__).parent.parent / "README.md").read_text(encoding="utf-8")
COMMANDS = sorted(set(re.findall(r"^\$ keymapper ([a-z]+)", README, re.MULTILINE)))


def help_of(*arguments):
    command = [sys.executable, "-m", "keymapper", *arguments, "--help"]
    return subprocess.run(command, capture_output=True, text=True, check=True).stdout


def test_every_command_is_shown():
    listed = re.findall(r"^  ([a-z]+)  ", help_of().split("Commands:")[1], re.MULTILINE)
    assert sorted(listed) == COMMANDS


@pytest.mark.parametrize("command", COMMANDS)
def test_options_shown_exist(command):
    known = help_of(command)
    for line in re.findall(rf"^\$ keymapper {command} (.*)$", README, re.MULTILINE):
        for option in re.findall(r"(?<!\S)--[a-z-]+", line):
            assert option in known, option


def test_the_two_commands_stand_near_the_top():
    head = "\n".join(README.splitlines()[:30])
    assert head.count("python3 -m venv .venv && ") == 2
