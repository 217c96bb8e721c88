"""How Alembic runs our steps: on the connection that it is handed, never on one of its own."""

from alembic import context

from vibekit.tables import Base

context.configure(connection=context.config.attributes["connection"], target_metadata=Base.metadata, render_as_batch=True)
with context.begin_transaction():
    context.run_migrations()
