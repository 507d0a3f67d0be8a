"""A column of figures beside their targets."""

from __future__ import annotations


class Figures:
    """Prints each figure with its target as it comes; remembers whether one missed."""

    def __init__(self) -> None:
        self.exit_code = 0

    def at_most(self, name: str, value: float, limit: float) -> None:
        self._line(name, value, f"<= {limit:g}", value <= limit)

    def at_least(self, name: str, value: float, limit: float) -> None:
        self._line(name, value, f">= {limit:g}", value >= limit)

    def show(self, name: str, value: float) -> None:
        print(f"{name:48s} {value:12.5f}")

    def _line(self, name: str, value: float, target: str, reached: bool) -> None:
        print(f"{name:48s} {value:12.5f}   {target:12s} {'ok' if reached else 'MISSED'}")
        if not reached:
            self.exit_code = 1
