"""What both tests of faults share: devices that press, killings at random moments, and the reckoning at the end."""

from __future__ import annotations

import random
import time
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, datetime, timedelta
from typing import Any

from tests.services.pressing import Device
from tests.services.program import Part, ask, wait_until

# Shares of the killings that come while the program is still starting, and before it has answered anything.
STARTING, JUST_UP = 0.2, 0.15
AT_WORK = 10  # sendings that it answers, at the most, before the other killings

# Finished stages that somebody worked at, and whose sample is missing or was made of other events.
UNLEARNED = """
    SELECT s.id FROM jobs_stage s JOIN jobs_stagekind k ON k.id = s.kind_id
    LEFT JOIN analytics_sample a ON a.stage_id = s.id
    WHERE s.state = 'finished' AND s.finished_at IS NOT NULL AND NOT s.left_out AND k.category <> 'hold'
    AND (a.id IS NULL OR a.fold_digest <> s.fold_digest)
"""
FINISHED = "SELECT s.id FROM jobs_stage s WHERE s.state = 'finished'"
STORED = "SELECT e.id FROM jobs_clockevent e JOIN shop_shop s ON s.id = e.shop_id WHERE s.slug = 'quay'"

Rows = Callable[[str], list[Any]]


def begin_devices(keys: Mapping[str, Any], ports: Sequence[int], seed: int) -> list[Device]:
    """Three devices, of which two are shared by people and one is three hours fast; they begin to press."""
    ada, ben, cleo = keys["people"]
    day = datetime.now(UTC) - timedelta(hours=30)
    devices = [
        Device(
            name_=f"device {n}",
            session=keys["sessions"][n],
            keys=dict(keys),
            people=people,
            ports=ports,
            rng=random.Random(f"{seed} {n}"),
            day=day + timedelta(seconds=n),
            wrong_by=wrong_by,
        )
        for n, (people, wrong_by) in enumerate(
            [((ada, ben), timedelta(0)), ((ben, cleo), timedelta(0)), ((cleo,), timedelta(hours=3))]
        )
    ]
    for device in devices:
        device.start()
    return devices


def await_moment(part: Part, devices: Sequence[Device], rng: random.Random) -> None:
    """Wait for a random moment in a process's life: mostly while it is at work, some as it starts."""
    chance = rng.random()
    if chance < STARTING:
        time.sleep(rng.uniform(0.05, 1.0))
        return
    wait_until(part.listens, "It does not come up again.")
    if chance > STARTING + JUST_UP:
        enough = answered(devices) + rng.randint(1, AT_WORK)
        wait_until(lambda: answered(devices) >= enough, "It does not answer.")
    time.sleep(rng.uniform(0.0, 0.2))


def answered(devices: Sequence[Device]) -> int:
    """How many sendings were answered."""
    return sum(device.counts["sendings answered"] for device in devices)


def drain(devices: Sequence[Device], seconds: float = 600.0) -> None:
    """Let the devices make no more taps and send those that wait."""
    for device in devices:
        device.stop.set()
    wait_until(
        lambda: not any(device.is_alive() for device in devices), "The taps were not taken in time.", seconds
    )


def reckon(
    devices: Sequence[Device],
    keys: Mapping[str, Any],
    env: Mapping[str, str],
    rows: Rows,
    begun: float,
    outages: Sequence[tuple[float, float]] = (),
    **figures: int,
) -> None:
    """Hold what is stored to what was acknowledged, and its intervals to those of a clean run. Prints the figures.

    outages: when there was no database (seconds of the monotonic clock); only then may a server's error be answered.
    """
    troubles = [span for device in devices for span in device.troubles]
    alone = [
        (sent, heard)
        for sent, heard in troubles
        if not any(sent <= end and start <= heard for start, end in outages)
    ]
    assert alone == []
    assert [wrong for device in devices for wrong in device.wrong] == []
    made = {tap["id"]: tap for device in devices for tap in device.made}
    acknowledged = {key for device in devices for key in device.acknowledged}
    stored = [str(row[0]).replace("-", "") for row in rows(STORED)]
    plain = {key.replace("-", "") for key in acknowledged}
    assert acknowledged == set(made)
    lost, doubled = plain - set(stored), [key for key, n in Counter(stored).items() if n > 1]
    assert (lost, doubled, set(stored) - plain) == (set(), [], set())

    wait_until(lambda: not rows(UNLEARNED), "The sweep does not find every finished stage.", pause=0.5)
    finished = len(rows(FINISHED))
    assert finished > 0

    ordered = sorted(made.values(), key=lambda tap: datetime.fromisoformat(tap["at"]) + _by(tap))
    twin = ask(env, "twin", {"shop": keys, "taps": ordered, "now": datetime.now(UTC).isoformat()})
    here, clean, anew = ask(env, "compare", [keys, twin])
    assert here["intervals"]
    assert here == clean
    assert here == anew

    counts = sum((device.counts for device in devices), Counter())
    said = {
        **figures,
        "taps": len(made),
        **counts,
        "intervals": len(here["intervals"]),
        "finished stages learned": finished,
        "lost": len(lost),
        "doubled": len(doubled),
        "seconds": round(time.monotonic() - begun),
    }
    print("\n" + ", ".join(f"{name.replace('_', ' ')} {value:,}" for name, value in said.items()))


def _by(tap: Mapping[str, Any]) -> timedelta:
    return timedelta(milliseconds=tap["offset_ms"])
