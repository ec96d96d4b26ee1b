"""manage.py import_timings FILE: bring in a log of stage times."""

import sys
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from jobs.importing.dates import Order
from jobs.importing.writing import Imported
from jobs.services.import_files import import_timings
from shop.errors import BadInput
from shop.selectors import shop_chosen

NAMES_SHOWN = 12


class Command(BaseCommand):
    help = (
        "Import stage times: one row per sitting, with the columns job, job_type, stage, started_at, finished_at and "
        "optionally hands_on_min, person, machine and drivers. CSV, XLSX or an IEEE 1849 XES log. All rows go in or "
        "none; the same file again changes nothing."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("file", type=Path, metavar="FILE", help="a .csv, .xlsx or .xes file")
        parser.add_argument(
            "--shop", default="", metavar="SLUG", help="which shop; the only one is the default"
        )
        parser.add_argument(
            "--define-drivers",
            action="store_true",
            help="make a driver of each unknown column of numbers, a category of each of texts",
        )
        parser.add_argument("--ignore-unknown", action="store_true", help="leave unknown columns out")
        parser.add_argument(
            "--dates",
            choices=[order.value for order in Order],
            help="dmy or mdy: what 03/04/2026 means, where the file does not show it",
        )

    def handle(self, *args: Any, **options: Any) -> None:
        try:
            done = import_timings(
                options["file"],
                shop_chosen(options["shop"]),
                new_slug=options["shop"],
                define_drivers=options["define_drivers"],
                ignore_unknown=options["ignore_unknown"],
                dates=Order(options["dates"]) if options["dates"] else None,
                progress=self.progress,
            )
        except BadInput as error:
            self.progress("")
            raise CommandError(error.message) from error
        self.progress("")
        self.say(done)

    def progress(self, text: str) -> None:
        """One line that changes, where somebody looks on."""
        if sys.stderr.isatty():
            self.stderr.write(f"\r\033[K{text}{' …' if text else ''}", ending="")
            self.stderr.flush()

    def say(self, done: Imported) -> None:
        """What was done, made, assumed and left out."""
        if done.shop_made:
            self.stdout.write(
                f"There was no shop, so {done.shop.name!r} (--shop {done.shop.slug}) was made: UTC, metric, open "
                "Monday to Friday 08:30 to 17:00. Change that on the Shop page."
            )
        for what, names in done.made.items():
            more = f" and {len(names) - NAMES_SHOWN} more" if len(names) > NAMES_SHOWN else ""
            self.stdout.write(f"New {what} ({len(names)}): {', '.join(names[:NAMES_SHOWN])}{more}.")
        if "machines" in done.made:
            self.stdout.write("The new machines are kept as benches: say on the Shop page what each one is.")
        if done.ignored:
            self.stdout.write(f"Left out these columns: {', '.join(done.ignored)}.")
        if done.local_times:
            self.stdout.write(
                f"{done.local_times:,} times had no offset and were read as {done.shop.time_zone} times."
            )
        if not done.changed:
            self.stdout.write(f"Nothing new: all {done.rows:,} rows had been imported before.")
            return
        if done.clashes:
            self.stdout.write(
                f"{done.clashes:,} times a person or a machine is recorded at two stages at once. Each stage keeps "
                "its minutes as they were recorded; a person's own total counts such a time once."
            )
        before = done.rows - done.new_rows
        self.stdout.write(
            f"Imported {done.new_rows:,} rows into {done.shop.name!r}: {done.jobs:,} new jobs, {done.stages:,} new "
            f"stages{f'; {before:,} rows had been imported before' if before else ''}."
        )
