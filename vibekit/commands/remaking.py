"""Kept readings made again, here or by the workers of a Dask cluster."""

from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from vibekit.commands.measuring import progress
from vibekit.errors import UsageError, VibekitError

if TYPE_CHECKING:
    from vibekit.archive import Archive
    from vibekit.kept import KeptReading
    from vibekit.reading import Reading

BATCH = 200  # readings sent to a cluster at once: their curves are held here until they come back
PATIENCE_S = 10


def made_again(archive: "Archive", ids: Sequence[str], cluster: str | None) -> Iterator[tuple["KeptReading", "Reading | VibekitError"]]:
    """Each kept reading with the same made again from its recording, or why that cannot be.

    cluster: address of a Dask scheduler whose workers see the archive's files under the same paths and have this version installed
    Raises UsageError when no scheduler answers there.
    """
    if cluster is None:
        for id in progress(ids, "analysing again"):
            one = archive.reading(id)
            yield one, again(one)
        return
    try:
        from distributed import Client
    except ImportError:
        raise UsageError("--dask needs the package `distributed`: pip install 'vibekit[fleet]'") from None
    try:
        client = Client(cluster, timeout=PATIENCE_S)
    except (OSError, ValueError) as error:
        raise UsageError(f"no Dask scheduler answers at {cluster}: {error}") from None
    with client:
        for first in range(0, len(ids), BATCH):
            kept = [archive.reading(id) for id in ids[first : first + BATCH]]
            yield from zip(kept, client.gather(client.map(again, kept, pure=False)), strict=True)


def again(one: "KeptReading") -> "Reading | VibekitError":
    """The reading that the recording gives today with the settings it was kept with."""
    from vibekit.analysis import analyze
    from vibekit.capture.reader import Reader
    from vibekit.packing import unpack

    if not one.stored.is_file():
        return UsageError(f"{one.name}: its recording is gone ({one.stored}); `vibekit archive check` says what else is")
    try:
        return replace(analyze(unpack(Reader, one.reader).read(one.stored), one.settings), file=one.reading.file)
    except VibekitError as error:
        return error
