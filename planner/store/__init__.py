"""Storage of a shop: tables, migrations, the repository, import and export, backup."""

from planner.late import late
from planner.store.places import places as places  # its module has the same name

__all__, __getattr__, __dir__ = late(
    __name__,
    {
        "backup": (
            "Backup",
            "backup_now",
            "list_backups",
        ),
        "edge_log": ("EdgeEvent",),
        "errors": (
            "BackupError",
            "Difference",
            "MigrationFailed",
            "StaleRecord",
            "StoreError",
            "WrongDatabase",
        ),
        "exporting": (
            "Format",
            "export_frame",
            "export_parts",
            "export_queue",
            "export_records",
            "export_shop",
            "export_template",
        ),
        "file_columns": ("RowProblem",),
        "finding": ("Found",),
        "importing": (
            "IMPORTS",
            "PART_COLUMNS",
            "Imported",
            "ImportPreview",
            "commit",
            "documented_columns",
            "preview",
            "read_parts",
            "store_import",
        ),
        "opening": (
            "open_database",
            "open_kind",
            "own_shop_exists",
            "restore",
        ),
        "places": (
            "Kind",
            "Places",
            "places",
        ),
        "plans": ("AcceptedPlan",),
        "repository": ("Repository",),
        "runs": (
            "Attachment",
            "Measurement",
        ),
        "sample": (
            "first_day",
            "load_sample",
            "sample_folder",
        ),
    },
)
