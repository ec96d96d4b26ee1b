"""Learners of invented shops that begin with what other invented shops have learned."""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Iterable
from functools import partial

from analytics.engine.across import Published, prior_across, prior_from_dict, prior_to_dict, published
from analytics.engine.learner import Learner
from tests.analytics.engine.invented import InventedShop
from tests.analytics.engine.invented_records import clocked_record
from tests.analytics.engine.invented_truth import Truth
from tests.analytics.engine.oracle import NewLearner

OTHER_SEEDS = 100_000
"""The first seed of the shops that a prior is taken from: none of those that are measured."""

OTHER_JOBS = 100


def learned_shop(seed: int, truth: Truth, jobs: int = OTHER_JOBS) -> list[Published]:
    """What an invented shop publishes after so many finished jobs, learned at the clock's face value."""
    shop, learner = InventedShop(seed, truth), Learner()
    for _ in range(jobs):
        learner.learn_stages(clocked_record(shop.job(), shop).stages)
    return [one for state in learner.states.values() if (one := published(state)) is not None]


def priors_of(shops: Iterable[list[Published]]) -> str:
    """The priors across these shops, as JSON."""
    said = defaultdict(list)
    for shop in shops:
        for one in shop:
            said[one.kind, one.part].append(one)
    priors = [(*part, prior_across(of)) for part, of in said.items()]
    return json.dumps(
        [[kind, part, prior_to_dict(prior)] for kind, part, prior in priors if prior is not None]
    )


def starting_from(priors: str) -> NewLearner:
    """What makes a learner that begins with these priors; it can be sent to another process."""
    return partial(_new, priors)


def _new(priors: str) -> Learner:
    return Learner(
        priors={(kind, part): prior_from_dict(stored) for kind, part, stored in json.loads(priors)}
    )
