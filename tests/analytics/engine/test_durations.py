import json
import math
from dataclasses import fields, replace
from functools import reduce

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analytics.engine.durations import (
    PROBS,
    Entry,
    Forecast,
    Observation,
    State,
    entry_of,
    law_of,
    merge,
    pooled_state,
    predict,
    shop_pits,
    update,
    update_pooled,
    with_entry,
)
from analytics.engine.features import INTERCEPT
from analytics.engine.forecast import LogLaw
from analytics.engine.posterior import posterior, stock_prior
from analytics.engine.state import HALF_LIVES
from analytics.engine.trade import defaults_for


def learned(kind: str, observations: list[Observation], part: str = "hands_on") -> State:
    state = State.empty(kind, part)
    for observation in observations:
        state = update(state, observation)
    return state


def applied(
    seed: int, n: int, *, level: float = 1.0, sigma: float = 0.3, people: dict[str, float]
) -> list[Observation]:
    """Installs whose minutes are `level` times the trade formula, times the person's factor, with noise."""
    rng = np.random.default_rng(seed)
    seen = []
    for i in range(n):
        drivers = {"area_m2": float(rng.lognormal(0.5, 0.7)), "panels": float(rng.integers(1, 9))}
        person = list(people)[i % len(people)]
        base = level * people[person] * defaults_for("install", "hands_on").minutes(drivers)
        minutes = base * float(rng.lognormal(0, sigma))
        seen.append(Observation(minutes, drivers, {"job_type": "van", "person": person}, float(i)))
    return seen


# What it learns


def test_it_recovers_the_level_the_spread_and_who_is_quick():
    state = learned("install", applied(1, 600, level=1.6, sigma=0.3, people={"Ada": 0.8, "Ben": 1.25}))
    post = posterior(state, stock_prior(state.default))
    at = {name: i for i, name in enumerate(post.names)}
    quick, slow = post.mean[0, at["is:person=Ada"]], post.mean[0, at["is:person=Ben"]]
    assert slow - quick == pytest.approx(math.log(1.25 / 0.8), abs=0.06)
    assert math.sqrt(post.b[0] / post.a[0]) == pytest.approx(0.3, abs=0.03)
    drivers = {"area_m2": 2.0, "panels": 4.0}
    for person, factor in {"Ada": 0.8, "Ben": 1.25}.items():
        median = float(predict(state, drivers, {"job_type": "van", "person": person}).quantile(0.5))
        assert median == pytest.approx(1.6 * factor * state.default.minutes(drivers), rel=0.06)


def test_it_recovers_the_rates_of_a_shop_that_is_slow_to_set_up_and_quick_to_apply():
    rng = np.random.default_rng(3)
    seen = []
    for _ in range(1500):
        area = float(rng.lognormal(-1.5, 1.2))
        minutes = (30.0 + 12.0 * area) * float(rng.lognormal(0, 0.25))
        seen.append(Observation(minutes, {"area_m2": area, "panels": 1.0}))
    state = learned("install", seen)
    assert state.default.minutes({"area_m2": 0.1, "panels": 1.0}) < 20  # the default is quick to set up
    for area in (0.05, 0.5, 3.0):
        median = float(predict(state, {"area_m2": area, "panels": 1.0}, {}).quantile(0.5))
        assert median == pytest.approx(30.0 + 12.0 * area, rel=0.15)


def test_with_nothing_learned_the_median_is_the_trade_default_and_is_marked_so():
    drivers = {"area_m2": 3.0, "panels": 2.0}
    forecast = predict(State.empty("install"), drivers, {})
    assert forecast.is_default
    assert forecast.n == 0
    formula = 10.0 + 30.0 * 3.0 + 3.0 * 2.0
    assert float(forecast.quantile(0.5)) == pytest.approx(formula, rel=0.1)
    assert float(forecast.quantile(0.9) / forecast.quantile(0.5)) > 2  # E.g. a bumper takes 20 to 200 minutes


def test_a_person_seen_once_is_drawn_towards_the_others_and_one_seen_often_is_not():
    usual = applied(5, 200, people={"Ada": 1.0})
    drivers, kind = {"area_m2": 2.0, "panels": 2.0}, {"job_type": "van"}
    ratio = {}
    for often in (1, 300):
        slow = applied(6, often, level=3.0, sigma=0.05, people={"Cleo": 1.0})
        state = learned("install", usual + slow)
        medians = [
            float(predict(state, drivers, {**kind, "person": p}).quantile(0.5)) for p in ("Cleo", "Ada")
        ]
        ratio[often] = medians[0] / medians[1]
    assert 1.0 < ratio[1] < 2.0
    assert ratio[300] == pytest.approx(3.0, rel=0.1)


def test_it_learns_the_level_of_an_unknown_stage_kind_fast():
    rng = np.random.default_rng(8)
    for level in (2.0, 600.0):
        state = learned("sandblast", [Observation(level * float(rng.lognormal(0, 0.3))) for _ in range(5)])
        assert float(predict(state, {}, {}).quantile(0.5)) == pytest.approx(level, rel=0.35)


def test_the_planned_minutes_of_an_imported_log_are_a_strong_predictor():
    rng = np.random.default_rng(9)
    plans = rng.lognormal(4, 1, 300)
    state = learned(
        "review", [Observation(0.7 * p * float(rng.lognormal(0, 0.3)), {"planned_min": p}) for p in plans]
    )
    for planned in (20.0, 200.0):
        forecast = predict(state, {"planned_min": planned}, {})
        assert float(forecast.quantile(0.5)) == pytest.approx(0.7 * planned, rel=0.15)


def test_someone_new_at_a_stage_is_expected_to_take_longer_until_seen_five_times():
    def stages(person: str, factor: list[float]) -> list[Observation]:
        return [Observation(8.0 * f, {}, {"person": person}) for f in factor]

    slow_start = [2.0, 1.8, 1.6, 1.4, 1.2] + [1.0] * 20
    state = learned("load", [o for p in ("Ada", "Ben", "Cleo", "Dee") for o in stages(p, slow_start)])
    new, unknown = (predict(state, {}, {"person": p}) for p in ("Eve", ""))
    assert float(new.quantile(0.5)) > 1.2 * float(unknown.quantile(0.5))


def test_a_new_kind_without_formula_starts_from_what_the_shops_other_kinds_taught():
    rng = np.random.default_rng(10)
    pooled = pooled_state()
    for kind, level in (("mill", 1.2), ("lap", 0.9), ("grind", 1.0), ("deburr", 1.1)):
        for plan in rng.lognormal(5, 1, 40):
            seen = Observation(level * plan * float(rng.lognormal(0, 0.3)), {"planned_min": float(plan)})
            pooled = update_pooled(pooled, kind, seen)
    forecast = predict(State.empty("polish"), {"planned_min": 300.0}, {}, pooled=pooled)
    alone = predict(State.empty("polish"), {"planned_min": 300.0}, {})
    assert float(forecast.quantile(0.5)) == pytest.approx(300.0, rel=0.35)
    assert forecast.crps(300.0) < alone.crps(300.0) / 2
    assert forecast.is_default


def test_kinds_with_a_trade_formula_do_not_enter_the_pool():
    pooled = pooled_state()
    assert update_pooled(pooled, "install", Observation(90.0)) is pooled


# What is not known


def test_a_law_that_is_mostly_the_rates_doubt_is_near_to_normal():
    """Against draws of what the prior says: rates that are normal in log units as they stand, and a spread of the
    work whose variance is inverse gamma."""
    law, _, _ = law_of(State.empty("load"), {}, {})
    rng, prior = np.random.default_rng(12), stock_prior(defaults_for("load", "hands_on"))
    noise = np.sqrt(prior.shape * prior.sigma**2 / rng.gamma(prior.shape, size=400_000))
    drawn = prior.of(INTERCEPT)[1] * rng.standard_normal(noise.size) + noise * rng.standard_normal(noise.size)
    plain = LogLaw(0.0, float(law.scale[0]), float(law.df[0]), disrupted=0.0)
    for p, off in ((0.8, 0.01), (0.95, 0.012), (0.99, 0.005)):
        at = np.quantile(drawn, p)
        assert float(plain.cdf(at)) == pytest.approx(p, abs=off)
    # A Student's t with the noise's ten degrees of freedom would put too much far out.
    far = np.quantile(drawn, 0.99)
    assert float(LogLaw(0.0, plain.scale, 2 * prior.shape, disrupted=0.0).cdf(far)) < 0.985


def test_drivers_of_a_kind_without_formula_share_one_power_of_the_works_size():
    """Three records of one size. Told of the work's size in one way or in six, nothing beyond them is forecast to grow
    faster than in proportion."""
    middles = []
    for n in (1, 6):
        seen = [Observation(50.0, {f"d{i}": 5.0 for i in range(n)}) for _ in range(3)]
        state = learned("sandblast", seen)
        middles.append(float(predict(state, {f"d{i}": 50.0 for i in range(n)}, {}).quantile(0.5)))
    one, six = middles
    assert 50.0 < one < six < 500.0


def test_a_missing_driver_is_not_a_zero_and_widens_the_forecast():
    state = learned("install", applied(11, 100, people={"Ada": 1.0}))
    given_, not_given, none = (
        predict(state, drivers, {"person": "Ada", "job_type": "van"})
        for drivers in ({"area_m2": 2.0, "panels": 2.0}, {"panels": 2.0}, {"area_m2": 0.0, "panels": 2.0})
    )
    assert float(not_given.quantile(0.5)) > 2 * float(none.quantile(0.5))
    spread = [float(np.log(f.quantile(0.9) / f.quantile(0.1))) for f in (not_given, given_)]
    assert spread[0] > spread[1]


def test_a_driver_that_an_imported_row_lacks_is_taken_at_its_mean():
    rng = np.random.default_rng(12)
    plans = rng.lognormal(4, 0.5, 200)
    state = learned(
        "review", [Observation(float(p * rng.lognormal(0, 0.2)), {"planned_min": float(p)}) for p in plans]
    )
    without = float(predict(state, {}, {}).quantile(0.5))
    assert without == pytest.approx(math.exp(4), rel=0.2)


def test_not_knowing_who_will_do_it_widens_the_forecast():
    state = learned("install", applied(13, 200, people={"Ada": 0.7, "Ben": 1.4}))
    drivers = {"area_m2": 2.0, "panels": 2.0}
    known, unknown = (
        predict(state, drivers, c) for c in ({"job_type": "van", "person": "Ada"}, {"job_type": "van"})
    )
    assert float(np.log(unknown.quantile(0.9) / unknown.quantile(0.1))) > float(
        np.log(known.quantile(0.9) / known.quantile(0.1))
    )


def test_a_part_that_took_no_time_now_and_then_has_that_chance_of_taking_none():
    state = learned("sandblast", [Observation(0.0)] * 30 + [Observation(60.0)] * 69)
    forecast = predict(state, {}, {})
    assert float(forecast.quantile(0.29)) == 0.0
    assert float(forecast.quantile(0.31)) > 5.0


def test_unattended_minutes_are_not_expected_of_a_stage_that_has_never_had_any():
    state = learned("sandblast", [Observation(0.0)] * 10, part="unattended")
    assert predict(state, {}, {}).minutes.max() == 0.0
    assert predict(State.empty("weed", "unattended"), {}, {}).minutes.max() == 0.0


@pytest.mark.parametrize("factor", [1 / 50, 20.0, 50.0])
def test_a_shop_far_from_the_trade_default_is_learned_all_the_same(factor):
    """Each record alone looks like a wrong clock; most of them cannot be."""
    rng = np.random.default_rng(20)
    usual = factor * defaults_for("load", "hands_on").minutes({})
    state = learned(
        "load", [Observation(usual * float(rng.lognormal(0, 0.3)), at=1440.0 * i) for i in range(20)]
    )
    assert float(predict(state, {}, {}).quantile(0.5)) == pytest.approx(usual, rel=0.15)


@pytest.mark.parametrize("factor", [1 / 5, 5.0])
def test_a_kind_that_is_done_otherwise_from_some_day_on_is_learned_anew(factor):
    """As where a machine was changed, or a driver is counted in another unit, and nobody said so."""
    rng = np.random.default_rng(21)
    minutes = 30.0 * rng.lognormal(0, 0.25, 320) * np.where(np.arange(320) < 200, 1.0, factor)
    state = learned("hem", [Observation(float(m), at=1440.0 * i) for i, m in enumerate(minutes)])
    assert float(predict(state, {}, {}).quantile(0.5)) == pytest.approx(30.0 * factor, rel=0.35)


def test_one_odd_record_among_the_first_is_not_believed():
    seen = [Observation(minutes, at=1440.0 * i) for i, minutes in enumerate((8.0, 800.0, 8.5, 7.5))]
    assert float(predict(learned("load", seen), {}, {}).quantile(0.5)) == pytest.approx(8.0, rel=0.1)


# Adding up


@st.composite
def observation_lists(draw: st.DrawFn) -> list[Observation]:
    one = st.builds(
        Observation,
        st.one_of(st.just(0.0), st.floats(0.1, 1e4)),
        st.dictionaries(st.sampled_from(["area_m2", "panels", "planned_min"]), st.floats(0, 1e3)),
        st.fixed_dictionaries({"job_type": st.sampled_from(["van", "shop front"])}),
        st.sampled_from([0.0, 1440.0, 1e5, 3e5]),
        st.floats(0.1, 1.0),
    )
    return draw(st.lists(one, max_size=8))


def assert_same(a: State, b: State) -> None:
    """Equal up to rounding, whatever the order of the features."""
    assert set(a.names) == set(b.names)
    order = [b.names.index(name) for name in a.names]
    np.testing.assert_allclose(a.xtwx, b.xtwx[:, order][:, :, order], rtol=1e-9, atol=1e-9)
    np.testing.assert_allclose(a.xtwy, b.xtwy[:, order], rtol=1e-9, atol=1e-9)
    for name in ("ytwy", "mass", "scores", "seen", "zeros", "troubled", "amiss", "pits"):
        np.testing.assert_allclose(getattr(a, name), getattr(b, name), rtol=1e-9, atol=1e-9, err_msg=name)
    assert a.at == b.at


def entries(observations: list[Observation]) -> list[Entry]:
    """The records as one worker that has them all in order judges them."""
    state, made = State.empty("install"), []
    for observation in observations:
        made.append(entry_of(state, observation))
        state = with_entry(state, made[-1])
    return made


def summed(some: list[Entry]) -> State:
    return reduce(with_entry, some, State.empty("install"))


@given(observation_lists(), st.randoms(use_true_random=False))
@settings(max_examples=60, deadline=None)
def test_states_of_several_workers_merge_into_that_of_one_in_any_order_and_grouping(seen, random):
    made = entries(seen)
    in_one_go = summed(made)
    random.shuffle(made)
    cuts = sorted((random.randint(0, len(made)), random.randint(0, len(made))))
    a, b, c = (summed(made[i:j]) for i, j in ((0, cuts[0]), (cuts[0], cuts[1]), (cuts[1], len(made))))
    assert_same(merge(merge(a, b), c), in_one_go)
    assert_same(merge(a, merge(b, c)), in_one_go)
    assert_same(merge(c, merge(b, a)), in_one_go)


def test_merged_states_forecast_as_one_that_learned_everything():
    seen = applied(14, 80, people={"Ada": 1.0, "Ben": 1.3})
    made = entries(seen)
    apart = merge(summed(made[1::2]), summed(made[::2]))
    together = reduce(update, seen, State.empty("install"))
    forecasts = [
        predict(s, {"area_m2": 2.0}, {"job_type": "van", "person": "Ben"}).minutes for s in (apart, together)
    ]
    np.testing.assert_allclose(*forecasts, rtol=1e-9)


def test_a_record_weighs_half_after_a_half_life_and_for_ever_where_nothing_is_forgotten():
    one = with_entry(State.empty("install"), Entry(0.0, 1.0, {"1": 1.0}, 0.5, 1.0, 1.0))
    later = with_entry(one, Entry(float(HALF_LIVES[1]), 1.0, {"1": 1.0}, 0.5, 1.0, 1.0))
    faded_short = 0.5 ** (HALF_LIVES[1] / HALF_LIVES[2])
    np.testing.assert_allclose(later.mass, [2.0, 1.5, 1.0 + faded_short], rtol=1e-12)
    np.testing.assert_allclose(later.seen, later.mass, rtol=1e-12)


def test_models_of_different_stage_kinds_are_not_merged():
    with pytest.raises(ValueError, match="install"):
        merge(State.empty("install"), State.empty("cut"))


@given(observation_lists())
@settings(max_examples=50, deadline=None)
def test_a_state_survives_json_bit_for_bit(seen):
    state = learned("install", seen)
    again = State.from_dict(json.loads(json.dumps(state.to_dict())))
    assert (again.kind, again.part, again.names) == (state.kind, state.part, state.names)
    for name in (one.name for one in fields(State)):
        np.testing.assert_array_equal(getattr(again, name), getattr(state, name), err_msg=name)
    np.testing.assert_array_equal(predict(again, {}, {}).minutes, predict(state, {}, {}).minutes)


def test_a_stored_state_whose_sizes_disagree_is_refused():
    stored = learned("install", [Observation(5.0)]).to_dict()
    with pytest.raises(ValueError, match="Rebuild"):
        State.from_dict({**stored, "names": [*stored["names"], "is:person=Ada"]})


def test_updating_leaves_the_old_state_as_it_was():
    before = learned("install", applied(16, 5, people={"Ada": 1.0}))
    kept = before.to_dict()
    update(before, Observation(10.0, {"area_m2": 1.0}, {"person": "Ben"}))
    assert before.to_dict() == kept


@pytest.mark.parametrize("minutes", [-1.0, math.nan, math.inf])
def test_minutes_that_no_stage_can_take_are_refused(minutes):
    with pytest.raises(ValueError, match="cannot take"):
        Observation(minutes)


# The law


def test_log_normal_moments_are_those_of_the_handbook():
    # NIST/SEMATECH e-Handbook 1.3.6.6, log-normal with μ = 1, σ = 0.5: mean 3.0802, median 2.7183, P90 5.1592
    minutes = LogLaw(1.0, 0.5, df=1e7, disrupted=0.0).minutes_at(PROBS)
    forecast = Forecast(minutes, 1.0, False, 0.0)
    assert float(forecast.quantile(0.5)) == pytest.approx(2.7183, abs=2e-3)
    assert float(forecast.quantile(0.9)) == pytest.approx(5.1592, abs=5e-3)
    assert forecast.mean == pytest.approx(3.0802, abs=5e-3)


def test_the_disruption_tail_has_its_share_of_the_law():
    from scipy.stats import t

    law = LogLaw(3.0, 0.4, df=12.0, disrupted=0.06)
    z = (4.2 - 3.0) / 0.4
    assert float(law.cdf(4.2)) == pytest.approx(0.94 * t.cdf(z, 12) + 0.06 * t.cdf((z - 0.7 / 0.4) / 1.3, 12))


@pytest.mark.parametrize("kind", ["install", "sandblast"])
@pytest.mark.parametrize("minutes", [1e-6, 1.0, 1e6])
@pytest.mark.parametrize("size", [0.0, 1e-6, 1e6, 1e308, -5.0, math.nan])
def test_extreme_inputs_give_finite_rising_quantiles_and_a_finite_mean(kind, minutes, size):
    drivers = {"area_m2": size, "panels": size, "planned_min": size}
    state = State.empty(kind)
    pooled = pooled_state()
    for _ in range(3):
        seen = Observation(minutes, drivers, {"person": "Ada"})
        state, pooled = update(state, seen, pooled=pooled), update_pooled(pooled, kind, seen)
        for asked in (drivers, {}, {"area_m2": 2.0, "planned_min": 30.0, "other": 1e9}):
            forecast = predict(state, asked, {"person": "Ben", "machine": "cutter"}, pooled=pooled)
            assert np.isfinite(forecast.minutes).all()
            assert (np.diff(forecast.minutes) >= 0).all()
            assert math.isfinite(forecast.mean)
            assert 0.0 <= forecast.kind_share <= 1.0


def test_quantile_cdf_and_sample_belong_together():
    forecast = predict(State.empty("install"), {"area_m2": 2.0}, {})
    at = np.array([0.001, 0.05, 0.5, 0.8, 0.95, 0.999])
    np.testing.assert_allclose(forecast.cdf(forecast.quantile(at)), at, atol=1e-9)
    uniform = np.random.default_rng(1).random(20_000)
    assert float(forecast.sample(uniform).mean()) == pytest.approx(forecast.mean, rel=0.03)


def test_minutes_with_a_chance_of_their_own_fall_in_its_middle():
    """A part takes no time nine times in ten: no time is then nothing out of the usual, and is not at the late end."""
    law = Forecast(np.where(PROBS <= 0.9, 0.0, 1.0 + 10.0 * (PROBS - 0.9)), 10.0, False, 0.0)
    assert law.pit(0.0) == pytest.approx(0.45, abs=1e-9)
    assert law.pit(1.5) == pytest.approx(float(law.cdf(1.5)))
    drawn = law.sample(np.random.default_rng(3).random(20_000))
    assert np.mean([law.pit(minutes) for minutes in drawn]) == pytest.approx(0.5, abs=0.005)
    steady = Forecast(np.full(PROBS.size, 30.0), 10.0, False, 0.0)
    assert [steady.pit(minutes) for minutes in (29.0, 30.0, 31.0)] == [0.0, 0.5, 1.0]


def test_uncertainty_that_jobs_share_shrinks_as_the_shop_learns():
    categories = {"job_type": "van", "person": "Ada"}
    drivers = {"area_m2": 2.0, "panels": 2.0}
    shares = [
        predict(learned("install", applied(17, n, people={"Ada": 1.0})), drivers, categories).kind_share
        for n in (0, 5, 50, 500)
    ]
    assert shares[0] > 0.4
    assert shares == sorted(shares, reverse=True)
    assert shares[-1] < 0.03


def test_the_shops_errors_as_a_whole_calibrate_a_kind_with_few_of_its_own():
    rng = np.random.default_rng(18)
    known = learned("cut", [Observation(5.0 * float(rng.lognormal(0, 0.05))) for _ in range(400)])
    skewed = np.zeros(100)
    skewed[60:] = 20.0  # all past stages took longer than the median said
    pits = shop_pits([replace(known, pits=skewed)])
    plain, corrected = (
        float(predict(State.empty("install"), {}, {}, calibration=c).quantile(0.5)) for c in (None, pits)
    )
    assert corrected > 1.2 * plain


def test_the_first_feature_is_the_intercept_whatever_was_merged():
    assert (
        merge(State.empty("cut"), learned("cut", [Observation(3.0, {}, {"person": "Ada"})])).names[0]
        == INTERCEPT
    )
