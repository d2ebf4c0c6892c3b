"""Storage of a shop: tables, migrations, the repository, import and export, backup."""

from planner.store.backup import Backup, backup_now, list_backups
from planner.store.edge_log import EdgeEvent
from planner.store.errors import BackupError, Difference, MigrationFailed, StaleRecord, StoreError, WrongDatabase
from planner.store.exporting import (
    Format,
    export_frame,
    export_parts,
    export_queue,
    export_records,
    export_shop,
    export_template,
)
from planner.store.file_columns import RowProblem
from planner.store.finding import Found
from planner.store.importing import (
    IMPORTS,
    PART_COLUMNS,
    Imported,
    ImportPreview,
    commit,
    documented_columns,
    preview,
    read_parts,
    store_import,
)
from planner.store.opening import open_database, open_kind, open_shop, own_shop_exists, restore
from planner.store.places import Kind, Places, places
from planner.store.plans import AcceptedPlan
from planner.store.repository import Repository
from planner.store.runs import Attachment, Measurement, Tap
from planner.store.sample import first_day, load_sample, sample_folder

__all__ = [
    "AcceptedPlan",
    "Attachment",
    "Backup",
    "BackupError",
    "Difference",
    "EdgeEvent",
    "Found",
    "Format",
    "IMPORTS",
    "ImportPreview",
    "Imported",
    "Kind",
    "Measurement",
    "MigrationFailed",
    "PART_COLUMNS",
    "Places",
    "Repository",
    "RowProblem",
    "StaleRecord",
    "StoreError",
    "Tap",
    "WrongDatabase",
    "backup_now",
    "list_backups",
    "commit",
    "documented_columns",
    "export_frame",
    "export_parts",
    "export_queue",
    "export_records",
    "export_shop",
    "export_template",
    "first_day",
    "load_sample",
    "open_database",
    "open_kind",
    "open_shop",
    "own_shop_exists",
    "places",
    "preview",
    "read_parts",
    "restore",
    "sample_folder",
    "store_import",
]
