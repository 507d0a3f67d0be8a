"""What can go wrong, and the exit code each kind ends the command with.

::

    KeymapperError              70  our own bug, when nothing more precise fits
    ├── UsageError               2  the command line or the recipe asks for something impossible
    ├── InputError               3  a file or folder that cannot be used
    ├── MeasurementError         4  the audio gives no answer we would trust
    └── OutputError              5  the result could not be written

Exit codes beside these: 0 clean, 1 findings at or above the asked severity, and
130 interrupted (129 where the terminal went away, 143 where the process was terminated),
141 where whoever reads the output has closed it.
A message is one line: what is wrong, where, and what to do.
"""

from __future__ import annotations


class KeymapperError(Exception):
    """Root of every error the package raises on purpose."""

    exit_code = 70


class UsageError(KeymapperError):
    """The command line or the recipe asks for something impossible."""

    exit_code = 2


class InputError(KeymapperError):
    """A file or folder cannot be used."""

    exit_code = 3


class MeasurementError(KeymapperError):
    """The audio gives no answer we would trust."""

    exit_code = 4


class OutputError(KeymapperError):
    """The result could not be written."""

    exit_code = 5
