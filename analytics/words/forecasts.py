"""How well forecasts did, in sentences. Pure."""

from __future__ import annotations

import math

from analytics.engine.quality import Bias, Coverage, ErrorRatio, Lean, Runs, Uniformity

TIMES = {0.5: "one-in-two", 0.8: "eight-in-ten", 0.95: "nineteen-in-twenty"}
"""The names of the times that were said, by their probability."""

SIMPLER = (
    "That is {share} of the error of the past's mean with a quarter added",
    "That is {share} of the error of the spread of the past's own times",
    "For the {count} with an own estimate the forecasts' error is {share} of that of the estimate",
)
"""What the error is held against, in the order of a group's errors."""

LEANS: dict[Lean, str] = {
    "fits": "The bars are as even as chance allows: neither too long nor too short, and as sure as they may be.",
    "longer": "The bars are too high at the right: the work takes longer than the forecasts say.",
    "shorter": "The bars are too high at the left: the work is done sooner than the forecasts say.",
    "narrow": "The bars are too high at both ends: the forecasts are surer of themselves than they may be.",
    "wide": "The bars are too high in the middle: the forecasts could be surer of themselves than they are.",
}


def say_share(share: float) -> str:
    """0.814 as '81 %'; what is not quite none or all says so; '–' for none."""
    if math.isnan(share):
        return "–"
    if 0 < share < 0.005:
        return "under 1 %"
    return "over 99 %" if 0.995 <= share < 1 else f"{share * 100:.0f} %"


def say_range(low: float, high: float) -> str:
    """'75 to 85 %'; empty where there is none."""
    return "" if math.isnan(low) or math.isnan(high) else f"{low * 100:.0f} to {high * 100:.0f} %"


def say_count(n: int, noun: str) -> str:
    """'1 stage', '214 stages'."""
    return f"{n} {noun}{'' if n == 1 else 's'}"


def say_minutes(minutes: float) -> str:
    """Minutes as few digits as they deserve: '0.4 min', '12 min'."""
    return f"{minutes:.1f} min" if abs(minutes) < 9.95 else f"{minutes:.0f} min"


def say_counted(one: Coverage, noun: str) -> str:
    """'Of 214 stages, 173 were done within the eight-in-ten time: 81 %, where 80 % was said.'"""
    return (
        f"Of {say_count(one.n, noun)}, {one.hits} {'was' if one.hits == 1 else 'were'} done within the "
        f"{TIMES[one.level]} time: {say_share(one.share)}, where {say_share(one.level)} was said."
    )


def say_verdict(one: Coverage, noun: str) -> str:
    """Whether that is what was said, as far as so many can tell, and what follows from it."""
    chance = f"anything from {say_range(*one.chance)} is within chance"
    if one.verdict == "below":
        return (
            f"With so many {noun}s {chance}, and this is less: the forecasts promise too much. Give dates at a higher "
            "confidence for now, and see below where it comes from."
        )
    if one.verdict == "above":
        return (
            f"With so many {noun}s {chance}, and this is more: the forecasts allow more time than is needed, so dates "
            "could be earlier."
        )
    if one.verdict == "few":
        return f"That is too few to say how true the forecasts are: with so few {noun}s {chance}."
    return f"With so many {noun}s {chance}."


def say_worth(n: int, worth: float, noun: str) -> str:
    """That stages of one job hang together, where it matters; else empty."""
    if worth >= 0.9 * n:
        return ""
    return (
        f"The {noun}s of one job tend to be quick or slow together, so these {n} tell as much as about {worth:.0f} "
        "that have nothing to do with each other. All ranges on this page are as wide as that asks for."
    )


def say_error(every: float, against: tuple[ErrorRatio | None, ...], noun: str) -> list[str]:
    """The mean error, and what it is against the two simple forecasts and the person's own estimate."""
    if math.isnan(every):
        return []
    said = [f"The forecasts were off by {say_minutes(every)} for each {noun}, their own width counted in."]
    for name, ratio in zip(SIMPLER, against, strict=True):
        if ratio is not None:
            bounds = say_range(ratio.low, ratio.high)
            held = name.format(share=say_share(ratio.ratio), count=say_count(ratio.n, noun))
            said.append(f"{held}{f' ({bounds})' if bounds else ''}{_better(ratio)}.")
    return said


def _better(ratio: ErrorRatio) -> str:
    if ratio.low > 1:
        return ", so the forecasts were worse"
    if ratio.high < 1:
        return ", so the forecasts were better"
    return "" if math.isnan(ratio.low) else ", which may be chance"


def say_bias(found: Bias | None, noun: str) -> str:
    """By how much the middle one was off; empty where there are too few."""
    if found is None:
        return ""
    if not found.clear and abs(found.minutes) < 0.05:  # it would read as 0.0 min
        return f"No bias: the middle {noun} took as long as its forecast's middle."
    if not found.clear:
        return (
            f"No bias that chance does not explain: the middle {noun} was {say_minutes(abs(found.minutes))} "
            f"{'over' if found.minutes > 0 else 'under'} its forecast's middle."
        )
    least, most = sorted((abs(found.low), abs(found.high)))
    return (
        f"The middle {noun} took {say_minutes(abs(found.minutes))} {'longer' if found.minutes > 0 else 'less'} than "
        f"its forecast's middle (between {say_minutes(least)} and {say_minutes(most)})."
    )


def say_runs(found: Runs | None) -> str:
    """Whether misses come in runs; empty where there are too few jobs."""
    if found is None:
        return ""
    if found.clear:
        return (
            "Misses come in runs: after a job that took longer than was said, the next tends to as well. Something may "
            "have changed for a time, as a machine, a film or who does the work; look at the months below."
        )
    return "Misses do not come in runs: whether one job took longer than was said tells nothing of the next."


def say_uniformity(found: Uniformity | None) -> str:
    """How often chance makes bars so uneven; empty for none."""
    if found is None:
        return ""
    times = 100 * found.p
    often = "fewer than one time in 100" if times < 1 else f"about {times:.0f} times in 100"
    often = "about one time in 100" if 1 <= times < 1.5 else often
    return f"Even with forecasts that are right, chance makes the whole so uneven {often}."
