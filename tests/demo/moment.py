"""What goes on in the demo shop at the moment for which it was made."""

from collections import defaultdict
from datetime import timedelta

from fixtures.demo.live import QUIET
from jobs.models import ClockEvent, Stage, StageState


def assert_something_goes_on(shop, now):
    """Somebody weeds, somebody has paused, a stage is put aside, and a printer runs with nobody beside it."""
    states = defaultdict(list)
    for stage in Stage.objects.of(shop).filter(left_out=False).select_related("kind"):
        here = stage.intervals.filter(ends_at=None)
        states[stage.state].append(
            (stage.kind.key, sorted(str(each.person or each.machine) for each in here))
        )
    assert sorted(states[StageState.RUNNING]) == [
        ("print", ["Solvent printer"]),
        ("weed", ["Bench 1", "Tomas"]),
    ]
    assert states[StageState.PAUSED] == [("weed", ["Dov"])]
    assert ("mask", []) in states[StageState.PUT_ASIDE]
    last = ClockEvent.objects.of(shop).order_by("-at").first().at
    assert now - timedelta(minutes=QUIET) < last < now
