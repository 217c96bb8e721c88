"""Where the archive is: a database and a folder of files."""

import os
from dataclasses import dataclass
from pathlib import Path

from vibekit.errors import UsageError

DATABASE = "archive.sqlite"
FILES = "files"


@dataclass(frozen=True, slots=True)
class Place:
    """Where an archive's database and files are.

    url: as SQLAlchemy writes it; database: the file when it is SQLite, None when a server holds it; files: folder of recordings and photos
    """

    url: str
    database: Path | None
    files: Path

    @property
    def takes(self) -> Path:
        """Folder of recordings being made, always on this computer: beside an SQLite database, else in the user's data folder."""
        return (self.database.parent if self.database is not None else _home()) / "takes"

    @property
    def shown(self) -> str:
        """The place in words, without a password."""
        if self.database is not None:
            return str(self.database)
        from sqlalchemy import make_url

        return make_url(self.url).render_as_string(hide_password=True)


def find_place(given: str | Path | None = None) -> Place:
    """Give the place of the archive: `given`, else VIBEKIT_ARCHIVE, else the user's data folder. A folder or a SQLAlchemy URL.

    Files lie beside an SQLite database; for a server's database they lie in VIBEKIT_FILES, else in the user's data folder.
    Raises UsageError when a URL is none.
    """
    text = str(given or os.environ.get("VIBEKIT_ARCHIVE") or _home())
    if "://" not in text:
        folder = Path(text).expanduser().absolute()
        return Place(f"sqlite:///{folder / DATABASE}", folder / DATABASE, folder / FILES)
    from sqlalchemy import make_url
    from sqlalchemy.exc import ArgumentError

    try:
        url = make_url(text)
    except (ArgumentError, ValueError):
        raise UsageError(f"archive is {text!r}; give a folder or a URL such as postgresql+psycopg://user@host/database") from None
    if url.get_backend_name() == "sqlite":
        if not url.database or url.database == ":memory:":
            raise UsageError(f"archive is {text!r}; give the path of a database file, since an archive in memory keeps nothing")
        path = Path(url.database).absolute()
        return Place(f"sqlite:///{path}", path, path.parent / FILES)
    if url.get_backend_name() != "postgresql":
        raise UsageError(f"archive is on {url.get_backend_name()!r}; SQLite and PostgreSQL are supported")
    url = url.set(drivername="postgresql+psycopg") if url.drivername == "postgresql" else url
    files = os.environ.get("VIBEKIT_FILES")
    return Place(url.render_as_string(hide_password=False), None, Path(files).expanduser().absolute() if files else _home() / FILES)


def _home() -> Path:
    from platformdirs import user_data_path

    return user_data_path("vibekit", appauthor=False)
