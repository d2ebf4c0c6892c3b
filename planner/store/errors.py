"""The errors of the store.

RuntimeError
└── StoreError
    ├── StaleRecord       somebody else changed the record first; carries what differs, nothing was written
    ├── WrongDatabase     the database is marked for the other shop, or newer than this program
    ├── MigrationFailed   an upgrade failed; the database is as it was
    └── BackupError       a backup could not be made or used
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any


class StoreError(RuntimeError):
    """Trouble with the stored shop that is not wrong input; the message is for people."""


@dataclass(frozen=True)
class Difference:
    """One field that differs between what was to be saved and what is stored."""

    field: str
    yours: Any
    theirs: Any


class StaleRecord(StoreError):
    """The record was changed (or deleted) since it was loaded. Nothing was written.

    Attributes: ``what`` ("part H-101"), ``by`` ("" = unknown), ``at`` (None = unknown), ``differences``
    (tuple of `Difference`), ``theirs`` (the stored noun, None when it was deleted).
    """

    def __init__(
        self,
        what: str,
        differences: tuple[Difference, ...] = (),
        theirs: Any = None,
        by: str = "",
        at: datetime | None = None,
        said: str = "",
    ) -> None:
        self.what = what
        self.differences = differences
        self.theirs = theirs
        self.by = by
        self.at = at
        if not said:
            who = f" by {by}" if by else ""
            when = f" on {at:%d %b %Y at %H:%M}" if at else ""
            fields = ", ".join(d.field for d in differences)
            said = f"{what} was changed{who}{when} after you opened it; nothing of yours was stored." + (
                f" Different: {fields}." if fields else ""
            )
        super().__init__(said)


class WrongDatabase(StoreError):
    """The database is not the one asked for, or was written by a newer version of this program."""


class MigrationFailed(StoreError):
    """The upgrade of the database failed; it was put back as it was. ``backup`` is the copy made before, or None."""

    def __init__(self, said: str, backup: Any = None) -> None:
        self.backup = backup
        super().__init__(said)


class BackupError(StoreError):
    """A backup could not be made, read or put back; the message says why."""
