"""Private servers for tests, in a folder of their own and on no port: PostgreSQL and Redis.

    python -m tests.servers postgres redis -- COMMAND …

runs COMMAND with DATABASE_URL and REDIS_URL of servers that exist only as long as it runs.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

SECONDS_TO_START = 20


class NotThere(RuntimeError):
    """A server program is not installed."""


def programs_of_postgres() -> Path:
    """Return the folder of the newest installed PostgreSQL's programs."""
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin"), key=lambda folder: int(folder.parent.name))
    if not found:
        raise NotThere("PostgreSQL is not installed; 'make test' says how to get it.")
    return found[-1]


@contextmanager
def private_postgres() -> Iterator[str]:
    """Start a PostgreSQL server that listens on a socket in a temporary folder; yield its DATABASE_URL."""
    programs = programs_of_postgres()
    folder = tempfile.mkdtemp(prefix="ebbline-pg-")
    # PostgreSQL refuses to run as root, so root hands the folder and the server to its own user.
    as_owner = ["runuser", "-u", "postgres", "--"] if os.geteuid() == 0 else []
    if as_owner:
        shutil.chown(folder, "postgres")

    def run(program: str, *arguments: str) -> None:
        command = [*as_owner, str(programs / program), *arguments]
        done = subprocess.run(command, cwd=folder, stdin=subprocess.DEVNULL, capture_output=True, text=True)
        if done.returncode:
            raise RuntimeError(f"{program} failed:\n{done.stdout}{done.stderr}")

    data, log = f"{folder}/data", f"{folder}/log"
    # Nothing here must survive a power cut, so nothing waits for the disk.
    options = f"-k {folder} -c listen_addresses='' -c fsync=off -c full_page_writes=off -c synchronous_commit=off"
    try:
        run("initdb", "-D", data, "-A", "trust", "-U", "ebb", "--no-sync", "-E", "UTF8", "--locale=C")
        # The server keeps the streams it is given, so it gets a log file and none of ours.
        run("pg_ctl", "-D", data, "-w", "-o", options, "-l", log, "start")
        try:
            run("createdb", "-h", folder, "-U", "ebb", "ebb")
            yield f"postgres://ebb@/ebb?host={folder}"
        finally:
            run("pg_ctl", "-D", data, "-m", "fast", "stop")
    finally:
        shutil.rmtree(folder, ignore_errors=True)


@contextmanager
def private_redis() -> Iterator[str]:
    """Start a Redis server that listens on a socket in a temporary folder; yield its REDIS_URL."""
    program = shutil.which("redis-server")
    if program is None:
        raise NotThere("Redis is not installed; 'make test' says how to get it.")
    with tempfile.TemporaryDirectory(prefix="ebbline-redis-") as folder:
        socket = Path(folder) / "r.sock"
        command = [program, "--port", "0", "--unixsocket", str(socket), "--save", "", "--appendonly", "no"]
        process = subprocess.Popen(command, cwd=folder, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL)
        try:
            give_up = time.monotonic() + SECONDS_TO_START
            while not socket.exists():
                if process.poll() is not None or time.monotonic() > give_up:
                    raise RuntimeError("redis-server did not start")
                time.sleep(0.02)
            yield f"redis+socket://{socket}"
        finally:
            process.terminate()
            process.wait(timeout=SECONDS_TO_START)


SERVERS = {"postgres": ("DATABASE_URL", private_postgres), "redis": ("REDIS_URL", private_redis)}


def main(arguments: list[str]) -> int:
    if "--" not in arguments or set(arguments[: arguments.index("--")]) - set(SERVERS):
        print("Usage: python -m tests.servers [postgres] [redis] -- COMMAND …", file=sys.stderr)
        return 2
    split = arguments.index("--")
    environment = dict(os.environ)
    with ExitStack() as servers:
        for name in arguments[:split]:
            variable, server = SERVERS[name]
            environment[variable] = servers.enter_context(server())
        return subprocess.run(arguments[split + 1 :], env=environment).returncode


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
