"""manage.py backtest: how true the forecasts would have been."""

import json
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from analytics.services.backtesting import backtest_shop
from shop.errors import BadInput
from shop.selectors import shop_required


class Command(BaseCommand):
    help = (
        "Walk the shop's finished jobs forward in time: forecast each from those before it, then learn it. Prints how "
        "far off the forecasts were, beside two simple ones: the mean per job type and stage with a quarter added, and "
        "the quantiles of past stages of that job type."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--json", action="store_true", help="print the scores as JSON")
        parser.add_argument(
            "--first",
            type=int,
            default=5,
            metavar="N",
            help="begin to forecast after the Nth finished job (5)",
        )
        parser.add_argument(
            "--forecasts", type=Path, metavar="FILE", help="also write every forecast to a CSV file"
        )
        parser.add_argument(
            "--shop", default="", metavar="SLUG", help="which shop; the only one is the default"
        )

    def handle(self, *args: Any, **options: Any) -> None:
        try:
            result = backtest_shop(shop_required(options["shop"]), options["first"], options["forecasts"])
        except BadInput as error:
            raise CommandError(error.message) from error
        if options["json"]:
            self.stdout.write(json.dumps(result.to_dict(), ensure_ascii=False))
            return
        self.stdout.write(
            f"{result.walked:,} finished jobs. Errors (CRPS, pinball) are in minutes: less is better."
        )
        for title, scores in (("STAGES", result.stages), ("JOBS, IN ALL", result.jobs)):
            self.stdout.write("")
            for line in table(title, scores):
                self.stdout.write(line)


COLUMNS = ("n", "CRPS", "mean+¼", "past", "in P50", "in P80", "in P95", "P5-P95")


def table(title: str, scores: Mapping[str, Mapping[str, Any]]) -> Iterator[str]:
    """The scores as lines of text, the group with the most cases first."""
    names = sorted(scores, key=lambda name: (name != "all", -scores[name]["n"], name))
    width = max(len(title), *(min(len(name), 40) for name in names))
    yield f"{title:{width}}  " + " ".join(f"{column:>8}" for column in COLUMNS)
    for name in names:
        if scores[name]["n"]:
            yield f"{name[:40]:{width}}  " + " ".join(f"{cell:>8}" for cell in _row(scores[name]))


def _row(score: Mapping[str, Any]) -> list[str]:
    simple = score["baselines"]
    errors = (
        score["crps_min"],
        simple["mean_plus_quarter"]["crps_min"],
        simple["past_quantiles"]["crps_min"],
    )
    return [
        f"{score['n']:,}",
        *(f"{error:,.1f}" for error in errors),
        *(f"{100 * share:.1f} %" for share in score["coverage"].values()),
        f"{score['width90_min']:,.0f}",
    ]
