"""Compile the simulation, so that the first promise does not wait for it."""

from typing import Any

from django.core.management.base import BaseCommand

from analytics.engine.simulate import warm_up


class Command(BaseCommand):
    help = "Compile the simulation into NUMBA_CACHE_DIR."
    requires_system_checks = ()

    def handle(self, *_: Any, **options: Any) -> None:
        warm_up()
