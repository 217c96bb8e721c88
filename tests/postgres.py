"""A real PostgreSQL in a folder of its own, for as long as it is needed."""

import os
import pwd
import shutil
import socket
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path


def binaries() -> Path | None:
    """Give the folder of the newest PostgreSQL server that can be run here, None when there is none."""
    if os.geteuid() == 0 and not any(user.pw_name == "postgres" for user in pwd.getpwall()):
        return None
    found = [Path(path).parent for path in (shutil.which("initdb"),) if path]
    found += sorted(Path("/usr/lib/postgresql").glob("*/bin"), key=lambda path: int(path.parent.name), reverse=True)
    return next((folder for folder in found if (folder / "initdb").exists() and (folder / "pg_ctl").exists()), None)


@contextmanager
def server() -> Iterator[str]:
    """Run a server and give its address, "postgresql+psycopg://user@host:port". It refuses to run as root, so root lends it a user."""
    folder = binaries()
    assert folder is not None
    user = "postgres" if os.geteuid() == 0 else ""
    home = Path(tempfile.mkdtemp(prefix="vibekit-pg-"))
    home.chmod(0o755)
    if user:
        shutil.chown(home, user)
    become = ["runuser", "-u", user, "--"] if user else []
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]

    def run(*command: str) -> None:
        done = subprocess.run([*become, *command], check=False, cwd=home, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True)
        assert done.returncode == 0, done.stderr

    run(str(folder / "initdb"), "-D", f"{home}/data", "-A", "trust", "-U", "bench", "-E", "UTF8", "--locale=C.UTF-8", "--no-sync")
    options = f"-p {port} -k {home} -c listen_addresses=127.0.0.1 -c fsync=off -c shared_buffers=16MB"
    try:
        run(str(folder / "pg_ctl"), "-D", f"{home}/data", "-o", options, "-l", f"{home}/log", "-w", "start")
        yield f"postgresql+psycopg://bench@127.0.0.1:{port}"
    finally:
        run(str(folder / "pg_ctl"), "-D", f"{home}/data", "-m", "immediate", "-w", "stop")
        shutil.rmtree(home)
