"""Run by alembic: migrates through the connection that the program hands over."""

from alembic import context

from coatclass.records.tables import metadata

connection = context.config.attributes["connection"]
context.configure(connection=connection, target_metadata=metadata, render_as_batch=True)
with context.begin_transaction():
    context.run_migrations()
