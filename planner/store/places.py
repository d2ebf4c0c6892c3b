"""Where data lies: the user's data directory, or the database named in PLANNER_DATABASE. Never the checkout."""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path

from sqlalchemy.engine import URL

from planner.errors import InputError
from planner.store.engine import database_url

FOLDER = "surfacing-planner"


class Kind(StrEnum):
    """Whose shop a database holds. The two never mix."""

    OWN = "own"
    SAMPLE = "sample"


@dataclass(frozen=True)
class Places:
    """``folder`` holds shop.db, sample.db and backups/. ``own_url`` None = the own shop is ``folder``/shop.db."""

    folder: Path
    own_url: URL | None = None

    def url(self, kind: Kind) -> URL:
        """The database of the own shop or of the sample (always its own SQLite file)."""
        if kind is Kind.OWN and self.own_url is not None:
            return self.own_url
        return database_url(self.folder / ("shop.db" if kind is Kind.OWN else "sample.db"))

    @property
    def backups(self) -> Path:
        return self.folder / "backups"

    @property
    def computed(self) -> Path:
        """Where results that took long are kept; whatever lies there may be deleted."""
        return self.folder / "computed"

    def make(self) -> None:
        """Create the data folder (readable by this user alone), and the folder of an SQLite file named by URL."""
        self.folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        url = self.own_url
        if url is not None and url.get_backend_name() == "sqlite" and url.database not in (None, "", ":memory:"):
            Path(url.database).parent.mkdir(parents=True, exist_ok=True)


def places(environment: Mapping[str, str] | None = None) -> Places:
    """The places this user's data lies at: ``$XDG_DATA_HOME`` or ~/.local/share, and ``PLANNER_DATABASE``.

    Raises `InputError` when ``PLANNER_DATABASE`` is not a database URL or names the sample's file.
    """
    env = os.environ if environment is None else environment
    base = env.get("XDG_DATA_HOME", "")
    # the base directory specification: a relative path is to be ignored
    root = Path(base) if base and Path(base).is_absolute() else Path(env.get("HOME") or Path.home()) / ".local/share"
    folder = root / FOLDER
    named = env.get("PLANNER_DATABASE", "").strip()
    if not named:
        return Places(folder)
    url = database_url(named)
    if url.get_backend_name() == "sqlite":
        if url.database in (None, "", ":memory:"):
            raise InputError("PLANNER_DATABASE", named, "a database that lasts: a file or a server")
        if Path(url.database).resolve() == (folder / "sample.db").resolve():
            raise InputError("PLANNER_DATABASE", named, "another database than the sample's")
    return Places(folder, url)
