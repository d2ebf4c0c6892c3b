"""Run by Alembic: migrate over the connection the caller opened, inside the caller's transaction."""

from alembic import context

from planner.store.tables import metadata

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=metadata,
    # SQLite cannot alter a column in place: the table is rebuilt
    render_as_batch=True,
    compare_type=True,
)
with context.begin_transaction():
    context.run_migrations()
