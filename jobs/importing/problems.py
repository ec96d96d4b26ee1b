"""What is wrong with a file, and where."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from shop.errors import BadInput

SHOWN = 50
"""How many bad rows a message names; of the rest it gives the number."""


@dataclass(frozen=True)
class Problem:
    """One thing wrong. place: as 'line 12'. column: empty where the whole row is at fault."""

    place: str
    reason: str
    column: str = ""

    def __str__(self) -> str:
        where = f"{self.place}, column {self.column}" if self.column else self.place
        return f"{where}: {self.reason}"


class BadFile(BadInput):
    """A file that is not imported. `problems` names each bad row; nothing was written."""

    def __init__(self, message: str, problems: Sequence[Problem] = ()) -> None:
        super().__init__(message, field="file")
        self.problems = tuple(problems)

    @classmethod
    def of_rows(cls, problems: Sequence[Problem], rows: int) -> BadFile:
        """The message for bad rows among `rows`, each named up to SHOWN."""
        bad = len({problem.place for problem in problems})
        what = f"{bad:,} of {rows:,} rows {'is' if bad == 1 else 'are'} wrong"
        lines = [f"Nothing was imported: {what}. Put them right and import the file again."]
        lines += [f"  {problem}" for problem in problems[:SHOWN]]
        if len(problems) > SHOWN:
            lines.append(f"  … and {len(problems) - SHOWN:,} more.")
        return cls("\n".join(lines), problems)
