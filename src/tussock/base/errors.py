"""In: facts about one fault. Out: one exception that names file, key or row, what was found and what to do.

The tree of errors (each is also the fitting built-in)::

    TussockError(Exception)
    |-- InputError(ValueError)              something the user gave is wrong; carries every fault found
    |   |-- MissingInputError(FileNotFoundError)   a file or a layer that is not there
    |   |-- CrsError                        a coordinate reference system is missing or does not fit
    |   `-- QuantityError                   a text that is not a quantity of the wanted kind
    |-- CutError(ArithmeticError)           a cut piece failed its check and no fallback held
    |-- MissingExtraError(ImportError)      an optional package is needed for what was asked
    `-- OutputError(OSError)                an output could not be written

`WrittenError` is no fault: a run was stopped by hand, but after its files were in place.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True)
class Fault:
    """One thing that is wrong in the input.

    Parameters
    ----------
    where
        File name (with the layer, where there is one).
    what
        Key path or row, for example ``setback[2].distance`` or ``row 7 (patch_id "P7")``.
    found
        What stands there, as text.
    need
        What is needed, or what to do.
    line
        Line in the file, 1-based, where known.
    """

    where: str
    what: str
    found: str
    need: str
    line: int | None = None

    def __str__(self) -> str:
        place = self.where if self.line is None else f"{self.where}, line {self.line}"
        return f"{place}: {self.what}: found {self.found}; {self.need}"


class TussockError(Exception):
    """Root of all errors raised on purpose."""


class InputError(TussockError, ValueError):
    """What the user gave is wrong. ``faults`` holds every fault found in one pass.

    Parameters
    ----------
    faults
        One fault, or several; at least one.
    """

    def __init__(self, faults: Fault | Iterable[Fault]) -> None:
        self.faults: tuple[Fault, ...] = (faults,) if isinstance(faults, Fault) else tuple(faults)
        super().__init__("\n".join(str(fault) for fault in self.faults))


class MissingInputError(InputError, FileNotFoundError):
    """A file or a layer that is not there."""


class CrsError(InputError):
    """A coordinate reference system is missing or does not fit."""


class QuantityError(TussockError, ValueError):
    """A text that is not a quantity of the wanted kind; turned into a `Fault` by whoever knows the file."""


class CutError(TussockError, ArithmeticError):
    """A cut piece failed its check and no fallback held.

    Attributes
    ----------
    place
        Place of the patch among those that were cut together, while nobody has named it yet.
    """

    def __init__(self, message: str, place: int | None = None) -> None:
        super().__init__(message)
        self.place = place


class MissingExtraError(TussockError, ImportError):
    """An optional package is needed for what was asked."""


class OutputError(TussockError, OSError):
    """An output could not be written."""


class WrittenError(KeyboardInterrupt):
    """Stopped by hand after the new files were in place.

    Attributes
    ----------
    folder
        Folder that holds them.
    """

    def __init__(self, folder: Path) -> None:
        super().__init__(f"stopped; the new plan was written to {folder} before")
        self.folder = folder
