"""Balancing jobs."""

import sqlalchemy as sa
from alembic import op

from vibekit.tables import Moment

revision = "0002"
down_revision = "0001"


def upgrade() -> None:
    """Add the jobs and which recordings belong to them."""
    op.create_table(
        "balance",
        sa.Column("id", sa.Text, primary_key=True),
        sa.Column("craft", sa.Text, sa.ForeignKey("craft.name"), nullable=False, index=True),
        sa.Column("position", sa.Text, nullable=False),
        sa.Column("engine", sa.Text, nullable=False),
        sa.Column("job", sa.JSON, nullable=False),
        sa.Column("began_at", Moment, nullable=False),
        sa.Column("changed_at", Moment, nullable=False),
    )
    op.create_table(
        "balance_recording",
        sa.Column("balance", sa.Text, sa.ForeignKey("balance.id"), primary_key=True),
        sa.Column("recording", sa.Text, sa.ForeignKey("recording.sha256"), primary_key=True),
    )
