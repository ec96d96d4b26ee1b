"""manage.py export_timings FILE: the shop's finished stages as a log that import_timings reads."""

from datetime import date
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from jobs.exporting.files import export_file
from jobs.exporting.selecting import Period
from shop.errors import ShopError
from shop.selectors import shop_required


class Command(BaseCommand):
    help = "Write the times of finished stages into a CSV, XLSX or IEEE 1849 XES file, which import_timings reads."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("file", type=Path, metavar="FILE", help="a .csv, .xlsx or .xes file")
        parser.add_argument(
            "--shop", default="", metavar="SLUG", help="which shop; the only one is the default"
        )
        parser.add_argument(
            "--from",
            dest="first",
            type=date.fromisoformat,
            metavar="DATE",
            help="finished on this day or later",
        )
        parser.add_argument(
            "--to",
            dest="last",
            type=date.fromisoformat,
            metavar="DATE",
            help="finished on this day or earlier",
        )

    def handle(self, *args: Any, **options: Any) -> None:
        period = Period(options["first"], options["last"])
        try:
            shop = shop_required(options["shop"])
            size = export_file(shop, options["file"], period)
        except ShopError as error:
            raise CommandError(error.message) from error
        self.stdout.write(f"Wrote {options['file']}: {size:,} bytes of {shop.name!r}.")
