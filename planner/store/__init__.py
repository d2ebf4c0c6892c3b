"""Storage of a shop: tables, migrations, the repository, import and export, backup."""

from planner.store.backup import Backup, backup_now
from planner.store.errors import BackupError, Difference, MigrationFailed, StaleRecord, StoreError, WrongDatabase
from planner.store.opening import open_database, open_kind, open_shop, own_shop_exists, restore
from planner.store.places import Kind, Places, places
from planner.store.plans import AcceptedPlan
from planner.store.repository import Repository
from planner.store.runs import Attachment, Measurement, Tap

__all__ = [
    "AcceptedPlan",
    "Attachment",
    "Backup",
    "BackupError",
    "Difference",
    "Kind",
    "Measurement",
    "MigrationFailed",
    "Places",
    "Repository",
    "StaleRecord",
    "StoreError",
    "Tap",
    "WrongDatabase",
    "backup_now",
    "open_database",
    "open_kind",
    "open_shop",
    "own_shop_exists",
    "places",
    "restore",
]
