"""The embedded shop's message broker: a folder with one file per message.

A message appears under its name only when it is whole, and is taken by renaming it, so any number of processes
may send and receive. (Kombu's own folder transport opens a message before it writes it: of 1,500 sent in one
burst a receiver read 3 while they were empty; and it needs an extra package on Windows.)
"""

import time
import uuid
from pathlib import Path
from queue import Empty
from typing import Any

from kombu.transport import virtual
from kombu.utils.json import dumps, loads

_PART, _TAKEN = "part-", "taken-"


class FolderChannel(virtual.Channel):
    """Queues as folders inside the transport option `folder`."""

    def _folder(self, queue: str) -> Path:
        client: Any = self.connection.client
        folder = Path(client.transport_options["folder"]) / queue
        folder.mkdir(parents=True, exist_ok=True)
        return folder

    def _waiting(self, queue: str) -> list[str]:
        """File names of the messages that nobody has taken, oldest first."""
        names = [path.name for path in self._folder(queue).iterdir()]
        return sorted(name for name in names if not name.startswith((_PART, _TAKEN)))

    def _put(self, queue: str, message: Any, **_: Any) -> None:
        folder, name = self._folder(queue), f"{time.time_ns():020d}-{uuid.uuid4().hex}"
        part = folder / (_PART + name)
        part.write_text(dumps(message), encoding="utf-8")
        part.rename(folder / name)

    def _get(self, queue: str, timeout: float | None = None) -> Any:
        folder = self._folder(queue)
        for name in self._waiting(queue):
            taken = folder / (_TAKEN + name)
            try:
                (folder / name).rename(taken)
            except FileNotFoundError:  # another process was quicker
                continue
            text = taken.read_text(encoding="utf-8")
            taken.unlink()
            return loads(text)
        raise Empty

    def _size(self, queue: str) -> int:
        return len(self._waiting(queue))

    def _purge(self, queue: str) -> int:
        names = self._waiting(queue)
        for name in names:
            (self._folder(queue) / name).unlink(missing_ok=True)
        return len(names)


class FolderTransport(virtual.Transport):
    """`folder://` with the transport options `folder` (a path) and `polling_interval` (seconds)."""

    Channel = FolderChannel
    # Exchanges and bindings of this process; a sender declares the queue that it sends to.
    global_state = virtual.BrokerState()
    driver_type = driver_name = "folder"

    def __init__(self, client: Any, **options: Any) -> None:
        super().__init__(client, **options)
        self.state = self.global_state

    def drain_events(self, connection: Any, timeout: float | None = None, **options: Any) -> None:
        """Wait for a message; briefly, so that a worker that is told to end does so at once."""
        wait = None if timeout is None else min(timeout, 0.25)  # seconds
        super().drain_events(connection, timeout=wait, **options)

    def driver_version(self) -> str:
        """Nothing outside the standard library is used."""
        return "1"
