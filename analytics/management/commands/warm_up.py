"""Compile the simulation and the duration model, so that no page and no tap waits for it."""

from typing import Any

from django.core.management.base import BaseCommand

from analytics.engine import durations, simulate


class Command(BaseCommand):
    help = "Compile the simulation and the duration model into NUMBA_CACHE_DIR."
    requires_system_checks = ()

    def handle(self, *_: Any, **options: Any) -> None:
        simulate.warm_up()
        durations.warm_up()
