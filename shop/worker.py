"""The embedded shop's background process: one worker and its timetable, for as long as its parent lives.

Started as `python -m shop.worker` with a pipe as standard input. When the pipe closes, because the parent closed
it or because the parent is no more, the worker ends after the task in hand. That holds on every system, also
where there are no signals.
"""

import sys
import threading
import warnings

from celery import Celery
from celery.beat import Service
from celery.exceptions import SecurityWarning
from celery.worker import state

ENDED_WITH_PARENT, TIMETABLE_BROKE = 0, 3  # exit codes


def run(app: Celery) -> int:
    """Work until the parent goes; the exit code."""
    # It warns of root, where messages could carry code: these are JSON, in a folder of the same owner.
    warnings.simplefilter("ignore", SecurityWarning)
    timetable = Service(app, max_interval=1, schedule_filename=app.conf.beat_schedule_filename)

    def end(code: int) -> None:
        vars(state)["should_stop"] = code  # read by the worker's loop between two tasks

    def keep_time() -> None:
        try:
            app.set_current()
            timetable.start()
        finally:
            if state.should_stop is None:  # without its sweep a worker is no use: a new one is begun
                end(TIMETABLE_BROKE)

    def end_with_parent() -> None:
        while sys.stdin.read(1):
            pass
        end(ENDED_WITH_PARENT)
        timetable.stop()

    threads = [threading.Thread(target=each, daemon=True) for each in (keep_time, end_with_parent)]
    for thread in threads:
        thread.start()
    # One task at a time: they are short, and SQLite takes one writer at a time.
    worker = app.Worker(
        pool="solo", quiet=True, without_gossip=True, without_mingle=True, without_heartbeat=True
    )
    worker.start()
    timetable.stop(wait=True)
    return int(worker.exitcode or 0)


if __name__ == "__main__":
    import django

    from shop.celery import app as celery_app

    django.setup()
    sys.exit(run(celery_app))
