"""Bring the data folder and the database up to date, without starting anything."""

from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError

from shop.launch import CannotStart, claim_folder, prepare, where_the_data_is


class Command(BaseCommand):
    help = "Prepare the data folder and the database, and compile the simulation."
    requires_system_checks = ()

    def handle(self, *_: Any, **options: Any) -> None:
        try:
            with claim_folder(settings.DATA_DIR):
                prepare(self.stdout.write, demo=False)
        except CannotStart as error:
            raise CommandError(str(error)) from error
        self.stdout.write(f"Ready. All data is {where_the_data_is()}")
