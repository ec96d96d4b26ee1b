"""Say by when a quote would be ready."""

import json
import sys
from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError

from analytics.api.ways import WaysOut
from analytics.models import Promise
from analytics.services.choices_ways import Ways
from analytics.services.promises import promise_again
from analytics.services.promising import Outlook, now_to_the_minute
from analytics.services.quotes import outlook_json, quote_outlook, quote_read, quote_ways
from analytics.services.running_totals import FINEST, MOST, WITHIN, Wish
from analytics.words.choices import say_takes
from analytics.words.promise import say_breaks, say_error, say_later
from shop.errors import ShopError
from shop.models import Shop
from shop.selectors import shop_required
from shop.words import say_confidence, say_instant


class Command(BaseCommand):
    """`promise QUOTE.json`: the finish of a quote as a distribution.

    `--ways`: each process and finish that could do it, side by side. `--again ID`: a given promise recomputed.
    """

    help = "Say by when a quote would be ready, through all the work that is open."

    def add_arguments(self, parser: ArgumentParser) -> None:
        """The quote and how to print it."""
        parser.add_argument("quote", nargs="?", help="A JSON file, or - for standard input.")
        parser.add_argument("--shop", default="", help="The shop's slug, where there are several.")
        parser.add_argument("--json", action="store_true", help="Print everything as JSON.")
        parser.add_argument(
            "--within",
            type=float,
            metavar="MINUTES",
            help=f"Draw until the date is known to so many working minutes, from {FINEST:,} futures at the most. "
            f"Without it until {WITHIN:g}, from {MOST:,} at the most.",
        )
        parser.add_argument("--ways", action="store_true", help="Every process and finish, side by side.")
        parser.add_argument(
            "--again", type=int, metavar="ID", help="Compute a given promise again from its record."
        )

    def handle(self, *args: Any, **options: Any) -> None:
        """Read, compute, print."""
        try:
            shop = shop_required(options["shop"])
            if options["again"] is not None:
                self._again(shop, options["again"])
                return
            quote, now = quote_read(shop, _read(options["quote"])), now_to_the_minute()
            if options["ways"]:
                self._ways(shop, quote_ways(shop, quote, now=now), options["json"])
                return
            outlook = quote_outlook(shop, quote, now=now, wish=_wish(options["within"]))
        except ShopError as refused:
            at = f"{refused.field}: " if refused.field else ""
            raise CommandError(f"{at}{refused.message}") from refused
        if options["json"]:
            self.stdout.write(json.dumps(outlook_json(shop, outlook), indent=1))
        else:
            self._say(shop, outlook)

    def _say(self, shop: Shop, outlook: Outlook) -> None:
        today = shop.local(outlook.made_at).date()
        at = say_instant(shop.local(outlook.promised_at), today)
        self.stdout.write(f"{at}, {say_confidence(outlook.confidence)}.")
        for p, instant in sorted(outlook.dates.items()):
            self.stdout.write(f"  {say_confidence(p)}: {say_instant(shop.local(instant), today)}")
        for stage in outlook.stages:
            rests = "trade default" if stage.is_default else f"{stage.n:g} clocked"
            self.stdout.write(f"  {stage.name}: {stage.p50:.0f} min, eight in ten {stage.p80:.0f} ({rests})")
        self.stdout.write(say_error(outlook.runs, outlook.error_min))
        self.stdout.write(say_later(outlook.later))
        if breaks := say_breaks(outlook.people):
            self.stdout.write(breaks)

    def _ways(self, shop: Shop, ways: Ways, as_json: bool) -> None:
        if as_json:
            self.stdout.write(json.dumps(WaysOut(ways).data, indent=1))
            return
        for way in ways.ways:
            at = say_instant(shop.local(way.promised_at), shop.local(ways.options.book.origin).date())
            self.stdout.write(f"{way.recipe.name}{' (as asked)' if way.is_present else ''}: {at}")
            self.stdout.write(f"  {say_takes(way, shop)}")
            for caution in (*filter(None, [way.unsuited]), *way.cautions):
                self.stdout.write(f"  {caution}")
        for one in ways.cannot:
            self.stdout.write(f"{one.recipe.process.name}: not possible. {one.why}")
        self.stdout.write(f"Dates are {say_confidence(ways.options.confidence)}.")

    def _again(self, shop: Shop, promise_id: int) -> None:
        promise = Promise.objects.of(shop).filter(pk=promise_id).first()
        if promise is None:
            raise CommandError(f"There is no promise {promise_id} in this shop.")
        found = promise_again(promise)
        self.stdout.write(json.dumps({"kept": promise.quantiles, "again": found}, indent=1))
        if found != promise.quantiles:
            raise CommandError("The record gives another answer now: the libraries have changed since.")


def _wish(within: float | None) -> Wish:
    if within is None:
        return Wish()
    if not within > 0:
        raise CommandError(f"--within is {within:g}. Give working minutes above 0, as --within 15.")
    return Wish(within=within, most=FINEST)


def _read(name: str | None) -> object:
    if not name:
        raise CommandError("Name a quote file, as: manage.py promise quote.json")
    try:
        text = sys.stdin.read() if name == "-" else Path(name).read_text(encoding="utf-8")
    except OSError as error:
        raise CommandError(f"{name} cannot be read: {error.strerror}.") from error
    try:
        return json.loads(text)
    except ValueError as error:
        raise CommandError(f"{name} is not JSON: {error}.") from error
