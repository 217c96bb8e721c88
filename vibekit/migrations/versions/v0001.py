"""Crafts, recordings, readings, inspections with photos, and what was done to parts."""

import sqlalchemy as sa
from alembic import op

from vibekit.tables import Moment

revision = "0001"
down_revision = None


def upgrade() -> None:
    """Make the first tables."""
    op.create_table("craft", sa.Column("name", sa.Text, primary_key=True), sa.Column("added_at", Moment, nullable=False))
    op.create_table(
        "craft_version",
        sa.Column("id", sa.Text, primary_key=True),
        sa.Column("craft", sa.Text, sa.ForeignKey("craft.name"), nullable=False, index=True),
        sa.Column("toml", sa.Text, nullable=False),
        sa.Column("added_at", Moment, nullable=False),
    )
    for kind in ("recording", "photo"):
        op.create_table(
            kind,
            sa.Column("sha256", sa.Text, primary_key=True),
            sa.Column("suffix", sa.Text, nullable=False),
            sa.Column("name", sa.Text, nullable=False),
            sa.Column("size", sa.BigInteger, nullable=False),
            sa.Column("added_at", Moment, nullable=False),
        )
    op.create_table(
        "reading",
        sa.Column("id", sa.Text, primary_key=True),
        sa.Column("craft", sa.Text, sa.ForeignKey("craft.name"), nullable=False),
        sa.Column("version", sa.Text, sa.ForeignKey("craft_version.id"), nullable=False),
        sa.Column("position", sa.Text, nullable=False),
        sa.Column("recording", sa.Text, sa.ForeignKey("recording.sha256"), nullable=False, index=True),
        sa.Column("test", sa.Text),
        sa.Column("setup", sa.Text, nullable=False),
        sa.Column("settings", sa.JSON, nullable=False),
        sa.Column("reader", sa.JSON, nullable=False),
        sa.Column("engine", sa.Text, nullable=False),
        sa.Column("reading", sa.JSON, nullable=False),
        sa.Column("diagnosis", sa.JSON),
        sa.Column("taken_at", Moment),
        sa.Column("added_at", Moment, nullable=False),
        sa.UniqueConstraint("craft", "position", "recording"),
    )
    op.create_table(
        "inspection",
        sa.Column("id", sa.Text, primary_key=True),
        sa.Column("craft", sa.Text, sa.ForeignKey("craft.name"), nullable=False, index=True),
        sa.Column("at", Moment, nullable=False),
        sa.Column("answers", sa.JSON, nullable=False),
    )
    op.create_table(
        "inspection_photo",
        sa.Column("inspection", sa.Text, sa.ForeignKey("inspection.id"), primary_key=True),
        sa.Column("photo", sa.Text, sa.ForeignKey("photo.sha256"), primary_key=True),
    )
    op.create_table(
        "part_action",
        sa.Column("id", sa.Text, primary_key=True),
        sa.Column("craft", sa.Text, sa.ForeignKey("craft.name"), nullable=False, index=True),
        sa.Column("position", sa.Text, nullable=False),
        sa.Column("part", sa.Text, nullable=False),
        sa.Column("did", sa.Text, nullable=False),
        sa.Column("fitted", sa.Text, nullable=False),
        sa.Column("note", sa.Text, nullable=False),
        sa.Column("done_at", Moment, nullable=False),
        sa.Column("added_at", Moment, nullable=False),
    )
