"""manage.py rebuild: make intervals, samples, models and counts again from the clock events."""

import sys
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from analytics.services.rebuilding import rebuild_shop
from shop.errors import BadInput
from shop.models import Shop
from shop.selectors import shop_required


class Command(BaseCommand):
    help = (
        "Make everything that is derived again from the clock events: intervals, stage states, samples, models and "
        "daily counts. It gives the same rows as before, and may run while the program does."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--shop", default="", metavar="SLUG", help="only this shop; all shops by default")

    def handle(self, *args: Any, **options: Any) -> None:
        try:
            one = shop_required(options["shop"]) if options["shop"] else None
        except BadInput as error:
            raise CommandError(error.message) from error
        for shop in [one] if one else Shop.objects.order_by("pk"):
            samples = rebuild_shop(shop, self.progress)
            self.progress("")
            self.stdout.write(
                f"{shop.name}: {samples:,} finished stages learned again from the clock events."
            )

    def progress(self, text: str) -> None:
        """One line that changes, where somebody looks on."""
        if sys.stderr.isatty():
            self.stderr.write(f"\r\033[K{text}{' …' if text else ''}", ending="")
            self.stderr.flush()
