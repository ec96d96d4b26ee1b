"""manage.py backtest: how true the forecasts would have been."""

import json
import sys
from argparse import ArgumentTypeError
from collections.abc import Iterator, Mapping
from datetime import date
from pathlib import Path
from time import monotonic
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from analytics.services.backtesting import Progress, Wanted, backtest_shop
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
            "--from",
            dest="scored_from",
            type=_day,
            metavar="DAY",
            help="score jobs finished from this day on",
        )
        parser.add_argument(
            "--to", dest="scored_to", type=_day, metavar="DAY", help="the last day that is walked"
        )
        parser.add_argument(
            "--leave-out",
            action="append",
            default=[],
            metavar="DRIVER",
            help="a driver or category that the forecasts may not know; may be given again",
        )
        parser.add_argument(
            "--as-of",
            choices=("finish", "start"),
            default="finish",
            help="forecast a job from what had finished before its own finish (the usual), or before its first start",
        )
        parser.add_argument(
            "--forecasts", type=Path, metavar="FILE", help="also write every forecast to a CSV file"
        )
        parser.add_argument(
            "--shop", default="", metavar="SLUG", help="which shop; the only one is the default"
        )

    def handle(self, *args: Any, **options: Any) -> None:
        wanted = Wanted(
            options["first"],
            options["scored_from"],
            options["scored_to"],
            tuple(options["leave_out"]),
            options["as_of"],
        )
        try:
            result = backtest_shop(
                shop_required(options["shop"]), wanted, options["forecasts"], self._progress()
            )
        except BadInput as error:
            raise CommandError(error.message) from error
        except KeyboardInterrupt as stopped:
            raise CommandError("Stopped before the end. No file was written.") from stopped
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
        for line in plan_lines(result.plan):
            self.stdout.write(line)

    def _progress(self) -> Progress:
        """How far it is, on the terminal's error stream; nothing where that is none."""
        if not sys.stderr.isatty():
            return lambda done, total: None
        told = monotonic()

        def tell(done: int, total: int) -> None:
            nonlocal told
            if done == total or monotonic() - told > BETWEEN:
                told = monotonic()
                end = "\n" if done == total else "\r"
                self.stderr.write(f"{done:,} of {total:,} ({100 * done // total} %)", lambda text: text, end)
                self.stderr.flush()

        return tell


BETWEEN = 0.5
"""Seconds between two words of progress."""


def _day(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise ArgumentTypeError(f"{text!r} is no day. Give it as 2026-03-02.") from None


COLUMNS = ("n", "CRPS", "mean+¼", "past", "in P50", "in P80", "in P95", "P5-P95")


def table(title: str, scores: Mapping[str, Mapping[str, Any]]) -> Iterator[str]:
    """The scores as lines of text, the group with the most cases first."""
    names = sorted(scores, key=lambda name: (name != "all", -scores[name]["n"], name))
    width = max(len(title), *(min(len(name), 40) for name in names))
    yield f"{title:{width}}  " + " ".join(f"{column:>8}" for column in COLUMNS)
    for name in names:
        if scores[name]["n"]:
            yield f"{name[:40]:{width}}  " + " ".join(f"{cell:>8}" for cell in _row(scores[name]))


def plan_lines(plan: Mapping[str, Any]) -> Iterator[str]:
    """People's own estimates beside the forecasts of the same stages; nothing where there were none."""
    if plan["n"]:
        yield ""
        yield (
            f"Own estimates of {plan['n']:,} stages were off by {plan['crps_min']:,.1f} min on average; the forecasts' "
            f"CRPS of the same stages is {plan['ours_crps_min']:,.1f} min."
        )


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
