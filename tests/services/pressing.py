"""Devices that press the stopwatch over HTTP and keep each tap until it was acknowledged. Only the standard library."""

from __future__ import annotations

import http.client
import json
import random
import threading
import time
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any
from uuid import UUID

TOKEN = "c" * 32  # the cookie and the header need only agree
MOST_WAITING = 60  # taps that a device makes ahead while nobody answers
KINDS = {
    "start": 9, "pause": 4, "resume": 4, "leave": 2, "aside": 2, "finish": 6, "next": 5, "lap": 2, "void": 2,
}  # fmt: skip
REFUSED = "connections refused"
PATIENCE = 20.0  # seconds for one answer


@dataclass
class Device(threading.Thread):
    """A phone: it makes taps of a simulated day until `stop` is set, then sends on until none is left.

    wrong_by: how far its own clock is ahead. What it was told of each tap is kept, for the final count,
    and the sendings that were answered with a server's error (from when until when, seconds of the monotonic clock).
    """

    name_: str
    session: str
    keys: dict[str, Any]
    people: Sequence[int]
    ports: Sequence[int]
    rng: random.Random
    day: datetime
    wrong_by: timedelta = timedelta(0)
    stop: threading.Event = field(default_factory=threading.Event)
    give_up: threading.Event = field(default_factory=threading.Event)
    made: list[dict[str, Any]] = field(default_factory=list)
    waiting: list[dict[str, Any]] = field(default_factory=list)
    acknowledged: dict[str, str] = field(default_factory=dict)
    troubles: list[tuple[float, float]] = field(default_factory=list)
    wrong: list[str] = field(default_factory=list)
    counts: Counter[str] = field(default_factory=Counter)

    def __post_init__(self) -> None:
        super().__init__(name=self.name_, daemon=True)
        self._at, self._on = self.day, {}
        self._line: http.client.HTTPConnection | None = None

    __hash__ = threading.Thread.__hash__

    def run(self) -> None:
        while not self.give_up.is_set() and not (self.stop.is_set() and not self.waiting):
            while not self.stop.is_set() and len(self.waiting) < self.rng.randint(3, MOST_WAITING):
                self._press()
            self._send(self._some())
            time.sleep(self.rng.uniform(0.0, 0.03))

    def _press(self) -> None:
        """Make one tap: mostly of what its person is at, now and then of something else."""
        rng = self.rng
        self._at += timedelta(seconds=rng.uniform(4, 40))
        person = rng.choice(self.people)
        kind = rng.choices([*KINDS], [*KINDS.values()])[0]
        job = rng.choice(self.keys["jobs"])
        stage = rng.choice(job)
        if kind not in ("start", "next") and person in self._on and rng.random() < 0.9:
            job, stage = self._on[person]
        tap: dict[str, Any] = {"kind": kind, "stage": stage, "person": person}
        if kind == "next":
            tap["to_stage"] = rng.choice([key for key in job if key != stage])
        if kind in ("start", "next", "resume") and rng.random() < 0.4:
            tap["machine"] = rng.choice(self.keys["machines"])
        if kind == "pause":
            tap["cause"] = rng.choice(self.keys["causes"])
        if kind == "void":
            if not self.made:
                return
            back = rng.choice(self.made[-8:])
            tap.update(stage=back["stage"], corrects=back["id"])
        if kind in ("start", "next", "resume"):
            self._on[person] = (job, tap.get("to_stage", stage))
        tap["id"] = str(UUID(int=rng.getrandbits(128), version=4))
        tap["at"] = (self._at + self.wrong_by).isoformat()
        tap["offset_ms"] = round(-self.wrong_by / timedelta(milliseconds=1))
        self.made.append(tap)
        self.waiting.append(tap)

    def _some(self) -> list[dict[str, Any]]:
        """Up to ten taps in any order, some of them acknowledged before."""
        rng = self.rng
        first = self.waiting[: rng.randint(10, 30)]
        batch = rng.sample(first, min(len(first), rng.randint(1, 10)))
        known = [tap for tap in self.made[-200:] if tap["id"] in self.acknowledged]
        if rng.random() < 0.3:
            batch += rng.sample(known, min(len(known), rng.randint(0, 10 - len(batch))))
        rng.shuffle(batch)
        return batch

    def _send(self, batch: list[dict[str, Any]]) -> None:
        if not batch:
            return
        sent = time.monotonic()
        self.counts["sendings"] += 1
        self.counts["taps sent"] += len(batch)
        body = json.dumps(
            {"sent_at": (datetime.now(UTC) + self.wrong_by).isoformat(), "device": self.name_, "taps": batch}
        )
        try:
            status, answer = self._exchange(body, heard=self.rng.random() > 0.05)
        except (OSError, http.client.HTTPException, ValueError) as error:
            self.counts[
                REFUSED if isinstance(error, ConnectionRefusedError) else "connections broken off"
            ] += 1
            self._hang_up()
            time.sleep(self.rng.uniform(0.02, 0.15))
            return
        if status == 200:
            self.counts["sendings answered"] += 1
            for result in answer["results"]:
                self._told(result)
            self.waiting = [tap for tap in self.waiting if tap["id"] not in self.acknowledged]
        elif status >= 500:
            self.counts["answered 5xx"] += 1
            self.troubles.append((sent, time.monotonic()))
            time.sleep(self.rng.uniform(0.02, 0.15))
        elif status:
            self.wrong.append(f"{status}: {answer}")
            self.give_up.set()

    def _exchange(self, body: str, *, heard: bool) -> tuple[int, Any]:
        """Send; the status and the answer, or (0, None) where this device hangs up before it hears it."""
        if self._line is None:
            self._line = http.client.HTTPConnection(
                "127.0.0.1", self.rng.choice(self.ports), timeout=PATIENCE
            )
        headers = {
            "Content-Type": "application/json",
            "Cookie": f"sessionid={self.session}; csrftoken={TOKEN}",
            "X-CSRFToken": TOKEN,
        }
        self._line.request("POST", "/api/v1/taps", body, headers)
        if not heard:
            self.counts["answers not listened to"] += 1
            time.sleep(self.rng.uniform(0.0, 0.05))
            self._hang_up()
            return 0, None
        answer = self._line.getresponse()
        text = answer.read()
        if self.rng.random() < 0.1:
            self._hang_up()
        return answer.status, json.loads(text) if answer.status < 500 else None

    def _told(self, result: dict[str, Any]) -> None:
        key, status = result["id"], result["status"]
        if status == "refused":
            self.wrong.append(f"refused: {result['problem']['detail']}")
            self.give_up.set()
        elif key in self.acknowledged:
            self.counts["repeats"] += 1
            if status == "stored":  # it had been acknowledged, and was gone
                self.wrong.append(f"lost after it was acknowledged: {key}")
        else:
            self.counts["repeats"] += status == "known"
            self.acknowledged[key] = status

    def _hang_up(self) -> None:
        if self._line is not None:
            self._line.close()
            self._line = None
