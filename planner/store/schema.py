"""The kinds of columns the tables are made of, portable between databases."""

from __future__ import annotations

from sqlalchemy import JSON, Boolean, Column, DateTime, Double, ForeignKey, Integer, MetaData, String, Text

metadata = MetaData(
    naming_convention={
        "ix": "ix_%(table_name)s_%(column_0_N_name)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
        "fk": "fk_%(table_name)s_%(column_0_name)s",
        "pk": "pk_%(table_name)s",
    }
)


def id_column() -> Column:
    return Column("id", Integer, primary_key=True, autoincrement=True)


def text_column(name: str, longest: int = 200) -> Column:
    return Column(name, String(longest), nullable=False, default="")


def long_column(name: str) -> Column:
    return Column(name, Text, nullable=False, default="")


def number_column(name: str, required: bool = False) -> Column:
    return Column(name, Double, nullable=not required)


def whole_column(name: str, required: bool = False) -> Column:
    return Column(name, Integer, nullable=not required)


def yes_column(name: str) -> Column:
    return Column(name, Boolean(create_constraint=False), nullable=False, default=False)


def moment_column(name: str, required: bool = False) -> Column:
    return Column(name, DateTime, nullable=not required)


def nested_column(name: str) -> Column:
    return Column(name, JSON(none_as_null=True), nullable=False)


def link_column(name: str, target: str, required: bool = False, **options) -> Column:
    return Column(name, Integer, ForeignKey(f"{target}.id", **options), nullable=not required)


def kept_columns() -> tuple[Column, ...]:
    """The version for optimistic locking, and who changed the record last."""
    return (
        Column("version", Integer, nullable=False, default=0),
        Column("changed_by", String(60), nullable=False, default=""),
        Column("changed_at", DateTime, nullable=True),
    )
