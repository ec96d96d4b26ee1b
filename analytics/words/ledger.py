"""How dates turned out, in sentences. Pure."""

from __future__ import annotations

from analytics.engine.following import FEWEST, Following
from analytics.engine.ledger import Outcome, Part
from analytics.engine.quality import Coverage
from analytics.selectors.ledger import CHANGED, Account, Entry
from analytics.templatetags.analytics_words import duration
from analytics.words.forecasts import say_count, say_range, say_share
from shop.words import say_confidence

OUTCOMES = (
    (Outcome.OPEN.value, "Still ahead"),
    (Outcome.OVERDUE.value, "Overdue"),
    (Outcome.KEPT.value, "Kept"),
    (Outcome.BROKEN.value, "Broken"),
    (CHANGED, "Changed"),
    (Outcome.TAKEN_BACK.value, "Taken back"),
    (Outcome.CANCELLED.value, "Job cancelled"),
)
"""What the list can be filtered by."""

MOVERS = {
    "customer": "the customer asked for it",
    "shop": "we could not keep it",
    "sooner": "it could be sooner",
}

PARTS = (
    "the quicker half of the futures",
    "the next three in ten",
    "the next three in twenty",
    "the slowest in twenty",
)
"""The parts of a forecast between the levels that are kept with each date."""


def say_off(minutes: float | None) -> str:
    """Lateness or earliness without its sign: '2 h 05'; 'on the minute' for none to speak of."""
    return "" if minutes is None else duration(abs(minutes)) if abs(minutes) >= 1 else "on the minute"


def say_outcome(one: Entry) -> str:
    """'Kept, 5 h 20 early', 'Late by 1 d 2 h', 'Overdue by 40 min'."""
    off = say_off(one.late_min)
    words = {
        Outcome.OPEN: "Still ahead",
        Outcome.OVERDUE: f"Overdue by {off}",
        Outcome.KEPT: f"Kept, {off} early" if one.late_min and one.late_min <= -1 else "Kept, on the minute",
        Outcome.BROKEN: f"Late by {off}",
        Outcome.REPLACED: f"Moved: {MOVERS.get(one.replaced.why_changed if one.replaced else '', 'no reason given')}",
        Outcome.TAKEN_BACK: "Taken back",
        Outcome.CANCELLED: "Job cancelled",
    }
    return words[one.outcome]


def say_open(one: Entry) -> str:
    """'3 h 05 of opening hours'; empty where that is no news, or the shop has none."""
    if one.late_open is None or one.late_min is None or abs(one.late_min) < 1:
        return ""
    if abs(one.late_open) < 1:
        return "none of it in opening hours"
    same = abs(abs(one.late_open) - abs(one.late_min)) < 1
    return "all of it in opening hours" if same else f"{duration(abs(one.late_open))} of opening hours"


def say_first(one: Account) -> str:
    """That the date first given was not kept, where the one that stands was."""
    return "Not kept as first given: we moved the date." if one.broken_as_first else ""


def say_kept(found: Coverage, said: str) -> str:
    """'Of 134 dates, 112 were kept as first given: 84 %, where eight times in ten was said.'"""
    were = "was" if found.hits == 1 else "were"
    return (
        f"Of {say_count(found.n, 'date')} that {'has' if found.n == 1 else 'have'} passed, {found.hits} {were} kept as "
        f"first given: {say_share(found.share)}, where {said} was said."
    )


def say_stated(found: Coverage) -> str:
    """The odds said, in words; where they differed, the mean."""
    share = round(found.level, 3)
    return (
        say_confidence(share) if abs(share * 20 - round(share * 20)) < 1e-9 else f"{share * 100:.0f} in 100"
    )


def say_verdict(found: Coverage) -> str:
    """Whether that is what was said, as far as so many can tell."""
    chance = f"with so many dates anything from {say_range(*found.chance)} is within chance"
    return {
        "below": f"Fewer were kept than was said: {chance}. Dates are given too early.",
        "above": f"More were kept than was said: {chance}. Dates could be given earlier and still hold as often as "
        "customers are told.",
        "few": f"Too few to say how true the odds are: {chance}.",
        "fits": f"That is as often as was said: {chance}.",
    }[found.verdict]


def say_worth(found: Coverage) -> str:
    """That dates of one week hang together, where it matters; else empty."""
    if found.worth >= 0.9 * found.n:
        return ""
    return (
        f"Dates of one week tend to be kept or missed together, so these {found.n} tell as much as about "
        f"{found.worth:.0f} that have nothing to do with each other; the ranges are as wide as that asks for."
    )


def say_level(level: float) -> str:
    """A level to the nearest hundredth: 'nine in ten', '87 in 100'."""
    said = say_confidence(round(level, 2))
    return said.replace(" times in ", " in ").replace(" time in ", " in ")


def say_following(found: Following, follows: bool) -> str:
    """At what level dates are set, and why."""
    wanted = say_level(found.confidence)
    if not found.enough:
        so_far = say_count(found.n, "date")
        kept_at = f"Dates are set at {wanted}." if follows else ""
        return (
            f"{so_far} {'has' if found.n == 1 else 'have'} passed so far; from {FEWEST} on the past says enough to set "
            f"dates by. {kept_at}"
        ).strip()
    are = "are" if follows else "would be"
    if not found.moved:
        return f"Dates {are} set at {wanted}: there, as far as the past tells, {wanted} hold."
    bound = " That is as far as they may be moved." if found.bounded else ""
    return f"Dates {are} set at {say_level(found.level)} so that {wanted} hold.{bound}"


def say_rests(found: Following) -> str:
    """What the level rests on."""
    if not found.enough:
        return ""
    return (
        f"It rests on where the last {say_count(found.n, 'job')} whose date has passed finished in their forecasts: "
        f"read off at {say_level(found.confidence)}, about {found.kept * 100:.0f} in 100 would have held. The fewer "
        "there are, the less is moved, and the past counts as it comes: each date that passes moves it a little."
    )


def say_parts(found: tuple[Part, ...]) -> str:
    """What the parts say together."""
    if not found:
        return ""
    slow, quick = found[-1], found[0]
    if slow.count > slow.high or (found[-2].count > found[-2].high and quick.count < quick.expected):
        return "More jobs than should end among the slowest of their futures: the forecasts are too hopeful."
    if quick.count > quick.high:
        return "More jobs than should end in the quicker half of their futures: the forecasts allow too much time."
    return "Jobs end in each part of their forecast about as often as they should, as far as so few can tell."
