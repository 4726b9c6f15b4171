"""Private servers for tests, in a folder of their own and on no port: PostgreSQL and Redis.

    python -m tests.servers postgres redis -- COMMAND …

runs COMMAND with DATABASE_URL and REDIS_URL of servers that exist only as long as it runs.
"""

from __future__ import annotations

import os
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
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


class PrivatePostgres:
    """A PostgreSQL server that listens on a socket in a temporary folder, as long as the block around it runs.

    synchronous_commit: whether a commit is answered only once the operating system has it, as tests that kill the
    server need. Nothing here must survive a power cut, so nothing ever waits for the disk.
    """

    def __init__(self, *, synchronous_commit: bool = False) -> None:
        self.programs = programs_of_postgres()
        self.folder = tempfile.mkdtemp(prefix="ebbline-pg-")
        self.data, self.url = f"{self.folder}/data", f"postgres://ebb@/ebb?host={self.folder}"
        commit = "on" if synchronous_commit else "off"
        self.options = f"-k {self.folder} -c listen_addresses='' -c fsync=off -c full_page_writes=off"
        # Statistics gathered behind a test's back would have the planner read small tables whole, in some runs.
        self.options += f" -c synchronous_commit={commit} -c autovacuum=off"

    def __enter__(self) -> PrivatePostgres:
        try:
            if os.geteuid() == 0:
                shutil.chown(self.folder, "postgres")
            self._run("initdb", "-D", self.data, "-A", "trust", "-U", "ebb", "--no-sync", "-E", "UTF8", "--locale=C")
            self.start()
            self._run("createdb", "-h", self.folder, "-U", "ebb", "ebb")
        except BaseException:
            shutil.rmtree(self.folder, ignore_errors=True)
            raise
        return self

    def __exit__(self, *_: object) -> None:
        try:
            self._run("pg_ctl", "-D", self.data, "-m", "fast", "stop")
        finally:
            shutil.rmtree(self.folder, ignore_errors=True)

    def start(self) -> None:
        """Start it, after a kill with what it had written until then."""
        # The server keeps the streams it is given, so it gets a log file and none of ours.
        self._run("pg_ctl", "-D", self.data, "-w", "-o", self.options, "-l", f"{self.folder}/log", "start")

    def kill(self) -> None:
        """End all its processes by signal 9, at whatever they are."""
        first = int(Path(self.data, "postmaster.pid").read_text().split()[0])
        children = subprocess.run(["ps", "-o", "pid=", "--ppid", str(first)], capture_output=True, text=True).stdout
        for pid in (first, *map(int, children.split())):
            with suppress(ProcessLookupError):
                os.kill(pid, signal.SIGKILL)
        while Path(f"/proc/{first}").exists():
            time.sleep(0.01)
        Path(self.data, "postmaster.pid").unlink()

    def _run(self, program: str, *arguments: str) -> None:
        # PostgreSQL refuses to run as root, so root hands the folder and the server to its own user.
        as_owner = ["runuser", "-u", "postgres", "--"] if os.geteuid() == 0 else []
        command = [*as_owner, str(self.programs / program), *arguments]
        done = subprocess.run(command, cwd=self.folder, stdin=subprocess.DEVNULL, capture_output=True, text=True)
        if done.returncode:
            raise RuntimeError(f"{program} failed:\n{done.stdout}{done.stderr}")


@contextmanager
def private_postgres() -> Iterator[str]:
    """Start a private PostgreSQL server; yield its DATABASE_URL."""
    with PrivatePostgres() as server:
        yield server.url


class PrivateRedis:
    """A Redis server that listens on a socket in a temporary folder and keeps nothing, as long as the block runs."""

    def __init__(self) -> None:
        program = shutil.which("redis-server")
        if program is None:
            raise NotThere("Redis is not installed; 'make test' says how to get it.")
        self.folder = tempfile.mkdtemp(prefix="ebbline-redis-")
        self.socket = Path(self.folder) / "r.sock"
        self.url = f"redis+socket://{self.socket}"
        self.command = [program, "--port", "0", "--unixsocket", str(self.socket), "--save", "", "--appendonly", "no"]
        self.process: subprocess.Popen[bytes] | None = None

    def __enter__(self) -> PrivateRedis:
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._end(signal.SIGTERM)
        shutil.rmtree(self.folder, ignore_errors=True)

    def start(self) -> None:
        self.process = subprocess.Popen(
            self.command, cwd=self.folder, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL
        )
        give_up = time.monotonic() + SECONDS_TO_START
        while not self.socket.exists():
            if self.process.poll() is not None or time.monotonic() > give_up:
                raise RuntimeError("redis-server did not start")
            time.sleep(0.02)

    def kill(self) -> None:
        """End it by signal 9; every task that waited in it is gone."""
        self._end(signal.SIGKILL)
        self.socket.unlink(missing_ok=True)

    def _end(self, by: signal.Signals) -> None:
        if self.process is not None:
            self.process.send_signal(by)
            self.process.wait(timeout=SECONDS_TO_START)


class Network:
    """A way to a server's socket that can be cut: then it takes everything, passes nothing on and answers nothing."""

    def __init__(self, to: Path) -> None:
        self.to, self.is_cut, self.swallowed = to, False, 0
        self.listening = socket.create_server(("127.0.0.1", 0))
        self.url = f"redis://127.0.0.1:{self.listening.getsockname()[1]}/0"

    def __enter__(self) -> Network:
        threading.Thread(target=self._accept, daemon=True).start()
        return self

    def __exit__(self, *_: object) -> None:
        self.listening.close()

    def _accept(self) -> None:
        with suppress(OSError):  # closed at the end of the block
            while True:
                near, _ = self.listening.accept()
                far = socket.socket(socket.AF_UNIX)
                far.connect(str(self.to))
                for source, sink in ((near, far), (far, near)):
                    threading.Thread(target=self._pass_on, args=(source, sink), daemon=True).start()

    def _pass_on(self, source: socket.socket, sink: socket.socket) -> None:
        with suppress(OSError), source, sink:
            while data := source.recv(65536):
                if self.is_cut:
                    self.swallowed += len(data)
                else:
                    sink.sendall(data)


@contextmanager
def private_redis() -> Iterator[str]:
    """Start a private Redis server; yield its REDIS_URL."""
    with PrivateRedis() as server:
        yield server.url


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
