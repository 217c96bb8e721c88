"""A file that the phone brings: its own voice memo, a video, a log. Of its name only the extension is looked at, never used as a path."""

from __future__ import annotations

import asyncio
import errno
import os
import shutil
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from aiohttp import StreamReader, web

from vibekit.capture.phone.limits import MOST_UPLOAD, SPARE_DISK
from vibekit.capture.phone.plan import Delivery
from vibekit.errors import VibekitError

if TYPE_CHECKING:
    from vibekit.capture.phone.desk import Desk

STALL_S = 30.0
BLOCK = 1 << 18


async def receive(request: web.Request, desk: Desk) -> web.Response:
    """Take one file into a folder of ours, under a name of ours, and say what it says."""
    extension = next((known for known in desk.plan.extensions if known == request.headers.get("X-Extension", "").lower()), None)
    if extension is None:
        return _problem(415, f"Files that can be read end in {', '.join(desk.plan.extensions)}.")
    size, chosen = request.content_length, request.headers.get("X-Position", "")
    if not (chosen.isascii() and chosen.isdecimal() and int(chosen[:4]) < max(len(desk.plan.positions), 1)):
        return _problem(400, "No such position.")
    if not size:
        return _problem(411, "The file is empty.")
    if size > MOST_UPLOAD:
        most = f"up to {MOST_UPLOAD / 1e6:.0f} MB are taken"
        return _problem(413, f"The file has {size / 1e6:.0f} MB; {most}. Cut it, or send its sound only.")
    if not desk.begin():
        return _problem(409, "Another recording is still being looked at; wait for it.")
    position = desk.plan.position(int(chosen[:4]))
    path = desk.folder / f"{datetime.now():%Y%m%d-%H%M%S-%f}-{desk.name(position)}{extension}"
    try:
        if why := await _received(request.content, size, path, desk):
            desk.tell(f"a file from the phone was not kept: {why}")
            return _problem(507, f"The file was not kept: {why}.")
        answer = await desk.judged(Delivery(path, position, None))
        return web.json_response(answer.told())
    except VibekitError as error:  # the file stays: who knows whether the phone keeps it
        desk.tell(f"{error}; the file stays: {path}")
        return _problem(422, str(error).removeprefix(f"{path}: "))
    finally:
        desk.end()


async def _received(content: StreamReader, size: int, path: Path, desk: Desk) -> str:
    """Take the whole file; give why it was not kept, else ""."""
    try:
        desk.spend(size)
        await _write(content, size, path)
    except VibekitError as error:
        return str(error)
    except (OSError, TimeoutError) as error:
        path.unlink(missing_ok=True)
        return getattr(error, "strerror", None) or "it stopped coming"
    return ""


async def _write(content: StreamReader, size: int, path: Path) -> None:
    """Write what comes. Raises OSError when the disk does not take it, TimeoutError when it stops coming."""
    path.parent.mkdir(parents=True, exist_ok=True)
    if shutil.disk_usage(path.parent).free < size + SPARE_DISK:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
    left = size
    with path.open("xb") as file:
        while left:
            async with asyncio.timeout(STALL_S):
                block = await content.read(min(left, BLOCK))
            if not block:
                raise TimeoutError
            await asyncio.to_thread(file.write, block)
            left -= len(block)


def _problem(status: int, text: str) -> web.Response:
    return web.json_response({"text": text}, status=status)
