"""The board on the wall as it was last made, kept so that asking whether anything is new costs next to nothing."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from datetime import datetime

from django.template.loader import render_to_string

from analytics.selectors.wall import due_odds, wall
from shop.models import Shop

ODDS_LAST_S = 20
"""Seconds for which the odds of the dates are good: many presses in a row need not each ask for new ones."""


@dataclass(frozen=True)
class Board:
    """The board as it was last made: for which revision and minute, and its tag, which names what it says."""

    revision: int
    minute: int
    tag: str
    html: str


@dataclass(frozen=True)
class Odds:
    """The odds of the dates, of which revision and from when."""

    revision: int
    at: datetime
    odds: dict[int, float]
    why_none: str


Key = tuple[int, datetime]
"""A shop, and when it was made: keys may come again in another database."""

# Kept by each process of the program; what is lost is made again.
_boards: dict[Key, Board] = {}
_odds: dict[Key, Odds] = {}


def board_of(shop: Shop, now: datetime) -> Board:
    """The board at `now`: the kept one while the shop's revision and the minute are the same."""
    minute = int(now.timestamp() // 60)
    kept = _boards.get((shop.pk, shop.created_at))
    if kept is not None and (kept.revision, kept.minute) == (shop.revision, minute):
        return kept
    odds = _odds_of(shop, now)
    html = render_to_string(
        "analytics/_wall.html", {"wall": wall(shop, now, odds.odds, odds.why_none), "shop": shop}
    )
    tag = f'"{hashlib.sha256(html.encode()).hexdigest()[:24]}"'
    board = Board(shop.revision, minute, tag, html)
    _boards[shop.pk, shop.created_at] = board
    return board


def _odds_of(shop: Shop, now: datetime) -> Odds:
    """The odds of the dates: the kept ones for a while, even if something was pressed since."""
    kept = _odds.get((shop.pk, shop.created_at))
    if kept is not None:
        age = abs((now - kept.at).total_seconds())
        if age < ODDS_LAST_S or (kept.revision == shop.revision and age < 60):
            return kept
    odds, why = due_odds(shop, now)
    fresh = Odds(shop.revision, now, odds, why)
    _odds[shop.pk, shop.created_at] = fresh
    return fresh
