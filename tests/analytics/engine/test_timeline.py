import pytest
from hypothesis import given
from hypothesis import strategies as st

from analytics.engine.timeline import MICROSECONDS, USES, Stretch, partition, time_table

MINUTE = MICROSECONDS


def stretch(stage, use, starts, ends):
    return Stretch(stage, use, starts * MINUTE, ends * MINUTE)


def test_a_template_beside_the_printer_counts_once():
    # Load 0-10, print attended 10-14 and alone until 60, template by hand 20-40 beside it, cut from 70 to 90.
    slices = partition(
        [
            stretch(1, "setup", 0, 10),
            stretch(2, "hands_on", 10, 14),
            stretch(2, "run", 10, 60),
            stretch(3, "setup", 20, 40),
            stretch(4, "hands_on", 70, 90),
        ],
        [1, 2, 3, 4],
    )
    table = time_table(slices)
    assert table.elapsed == 90
    assert table.by_use == {
        "setup": 30,
        "hands_on": 24,
        "run": 26,
        "interruption": 0,
        "hold": 0,
        "queue": 10,
    }
    assert table.by_stage[2] == {**dict.fromkeys(USES, 0), "hands_on": 4, "run": 26}
    assert table.beside == 20


def test_two_people_at_one_stage_are_one_use_of_time():
    table = time_table(partition([stretch(1, "hands_on", 0, 30), stretch(1, "hands_on", 10, 40)], [1]))
    assert (table.elapsed, table.by_use["hands_on"], table.beside) == (40, 40, 0)


def test_no_stretches_no_time():
    assert time_table(partition([], [])).elapsed == 0


STRETCHES = st.lists(
    st.builds(
        lambda stage, use, start, length: Stretch(stage, use, start, start + length),
        st.integers(1, 4),
        st.sampled_from(USES[:-1]),
        st.integers(0, 10**9),
        st.integers(0, 10**9),
    ),
    max_size=12,
)


@given(STRETCHES)
def test_the_parts_cover_the_whole_once_and_add_up(stretches):
    slices = partition(stretches, [1, 2, 3, 4])
    real = [s for s in stretches if s.ends > s.starts]
    assert [a.ends for a in slices[:-1]] == [b.starts for b in slices[1:]]
    if real:
        assert slices[0].starts == min(s.starts for s in real)
        assert slices[-1].ends == max(s.ends for s in real)
    table = time_table(slices)
    assert sum(table.by_use.values()) == pytest.approx(table.elapsed)
    by_stage = sum(sum(uses.values()) for uses in table.by_stage.values())
    assert by_stage + table.by_use["queue"] == pytest.approx(table.elapsed)


@given(STRETCHES, st.randoms())
def test_the_order_of_the_stretches_does_not_matter(stretches, random):
    mixed = list(stretches)
    random.shuffle(mixed)
    assert partition(stretches, [1, 2, 3, 4]) == partition(mixed, [1, 2, 3, 4])
