"""What is said to a person when input cannot be used, and the report that accounts for every row."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum


class InputProblem(Exception):
    """Input that cannot be used: which file, where in it, what is wrong, what to do.

    Parameters
    ----------
    file : str
        File as the user knows it; never a full machine path unless the user gave one.
    place : str
        Row, field, layer, variable or key inside the file; empty if the whole file is meant.
    what : str
        What is wrong, as a clause without a full stop.
    remedy : str
        What the reader can do now, as a sentence without a full stop.
    """

    exit_code = 2

    def __init__(self, file: str, place: str, what: str, remedy: str) -> None:
        self.file, self.place, self.what, self.remedy = str(file), place, what, remedy
        super().__init__(self.sentence)

    @property
    def sentence(self) -> str:
        """The problem in one line."""
        where = f"{self.file}, {self.place}" if self.place else self.file
        return f"{where}: {self.what}. {self.remedy}."


class Mismatch(InputProblem):
    """A file that was written and read again does not say what the plan says; nothing of it is handed over."""

    exit_code = 1


def several(file: str, found: list[tuple[str, str]], remedy: str, most: int = 20) -> InputProblem:
    """One problem that lists all bad places of a file, the first `most` of them in full.

    Parameters
    ----------
    file : str
        The file that all places are in.
    found : list of (place, what)
        At least one.
    remedy : str
        What to do about all of them.
    most : int
        How many are written out.
    """
    place, what = found[0]
    listed = [f"{p}: {w}" for p, w in found[1:most]]
    tail = "; ".join(listed)
    if len(found) > most:
        tail += f"; and {len(found) - most} more"
    return InputProblem(file, place, what + (f"; {tail}" if tail else ""), remedy)


class Fate(StrEnum):
    """What became of a row that was read."""

    USED = "used"
    REPAIRED = "used after repair"
    REVIEW = "needs review, not planned"
    SKIPPED = "not used"


@dataclass(frozen=True)
class Finding:
    """One line of the import report: a row, what was found, what was done."""

    file: str
    place: str
    fate: Fate
    what: str
    area_before_m2: float | None = None
    area_after_m2: float | None = None
    offer: str = ""  # key under [repairs] in farm.toml that would fix it, if one does


@dataclass
class ImportReport:
    """Accounts for what was read: rows read = rows used + rows reported; assumptions listed.

    Attributes
    ----------
    rows_read, rows_used, rows_elsewhere : dict of str to int
        By file. `rows_used` counts clean and repaired rows, `rows_elsewhere` those of a survey that
        do not bear on the farm's blocks.
    findings : list of Finding
        Every row that was not simply used, and every doubtful one that was.
    assumptions : list of str
        Sentences on what was filled in or taken for granted.
    """

    rows_read: dict[str, int] = field(default_factory=dict)
    rows_used: dict[str, int] = field(default_factory=dict)
    rows_elsewhere: dict[str, int] = field(default_factory=dict)
    findings: list[Finding] = field(default_factory=list)
    assumptions: list[str] = field(default_factory=list)

    def note(
        self,
        file: str,
        place: str,
        fate: Fate,
        what: str,
        *,
        area_before_m2: float | None = None,
        area_after_m2: float | None = None,
        offer: str = "",
    ) -> None:
        """Add a finding."""
        self.findings.append(Finding(file, place, fate, what, area_before_m2, area_after_m2, offer))

    def assume(self, sentence: str) -> None:
        """Add an assumption once."""
        if sentence not in self.assumptions:
            self.assumptions.append(sentence)

    def count(self, file: str, read: int, used: int, elsewhere: int = 0) -> None:
        """Record how many rows of a file were read, were used, and do not bear on the blocks."""
        self.rows_read[file] = self.rows_read.get(file, 0) + read
        self.rows_used[file] = self.rows_used.get(file, 0) + used
        self.rows_elsewhere[file] = self.rows_elsewhere.get(file, 0) + elsewhere

    def lost(self, file: str) -> int:
        """Rows read that are neither used nor reported as not used; must be zero."""
        out = {Fate.SKIPPED, Fate.REVIEW}
        reported = sum(1 for f in self.findings if f.file == file and f.fate in out)
        known = self.rows_used.get(file, 0) + self.rows_elsewhere.get(file, 0) + reported
        return self.rows_read.get(file, 0) - known
