"""What an import did, or would do."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from service.work.errors import FieldProblem, Impossible


@dataclass(frozen=True)
class Imported:
    """What an import did, or, of a dry run, would do."""

    rows: int
    """Rows in the file below its header."""
    new: int = 0
    """Facts that were not there."""
    changed: int = 0
    """Facts that were there with other values."""
    unchanged: int = 0
    """Facts that were there already, or that the file says more than once."""
    faults: tuple[FieldProblem, ...] = ()
    """What is wrong, in order of lines; then nothing is stored."""
    notes: tuple[str, ...] = ()
    """What is no fault, but worth knowing."""


def faulty(rows: int, faults: Sequence[FieldProblem], *, dry_run: bool) -> Imported:
    """Answer a file with faults: a dry run with all of them, an import by refusing it.

    Raises
    ------
    Impossible
        If it is no dry run; names all faults with their lines.
    """
    if dry_run:
        return Imported(rows, faults=tuple(faults))
    first = faults[0]
    where = f"line {first.line}" + (f", {first.field}" if first.field else "")
    said = "1 fault" if len(faults) == 1 else f"{len(faults)} faults"
    raise Impossible(f"{said} in the file, so nothing is stored; {where}: {first.problem}", *faults)
