"""The archive's schema, one numbered step a change, applied when an archive is opened."""

from importlib.resources import as_file, files
from typing import TYPE_CHECKING

from sqlalchemy import Connection, inspect, text

if TYPE_CHECKING:
    from alembic.config import Config

SCHEMA = "0002"  # the newest step in versions/


def schema_of(connection: Connection) -> str | None:
    """Give the step that a database stands at, None when it is empty."""
    if not inspect(connection).has_table("alembic_version"):
        return None
    step: str | None = connection.scalar(text("SELECT version_num FROM alembic_version"))
    return step


def config_for(scripts: str) -> "Config":
    """Give Alembic's settings for the steps in folder `scripts`."""
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", scripts.replace("%", "%%"))
    config.set_main_option("path_separator", "os")
    return config


def upgrade(connection: Connection, scripts: str | None = None) -> None:
    """Bring a database to the newest step, inside the connection's transaction."""
    from alembic import command

    with as_file(files("vibekit.migrations")) as folder:
        config = config_for(scripts or str(folder))
        config.attributes["connection"] = connection
        command.upgrade(config, "head")
