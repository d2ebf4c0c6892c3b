"""Which chances bear on a decision."""

import pandas as pd
import pytest

from planner import InputError
from planner.week.chances import deciding, of_ten

NOW = pd.Series({"a": 0.95, "b": 0.91, "c": 0.40, "d": float("nan"), "e": 0.99})


def test_jobs_whose_chance_another_plan_changes_are_told_the_most_changed_first():
    beside = pd.Series({"a": 0.70, "b": 0.90, "c": 0.96, "d": float("nan"), "gone": 0.1})
    found = deciding(NOW, beside)
    assert list(found.index) == ["c", "a"]
    assert found["differs"].all()
    assert list(found["beside"]) == [0.96, 0.70]


def test_singled_out_jobs_are_told_whatever_the_other_plan_says_and_none_without_a_due_time():
    found = deciding(NOW, None, ["e", "d"])
    assert list(found.index) == ["e"]
    assert not found["differs"].any() and found["beside"].isna().all()


def test_a_difference_that_the_words_do_not_show_is_none():
    one, other = pd.Series({"a": 0.848}), pd.Series({"a": 0.7475})  # both are rounded...
    assert of_ten(0.848) == "8 of 10" and of_ten(0.7475) == "7 of 10"
    assert list(deciding(one, other).index) == ["a"]
    one, other = pd.Series({"a": 0.85}), pd.Series({"a": 0.75})  # ...and these to the same eight, half to even
    assert of_ten(0.85) == of_ten(0.75) == "8 of 10"
    assert deciding(one, other).empty


def test_words_never_promise_what_is_not_certain():
    assert [of_ten(x) for x in (0.0, 0.004, 0.4, 0.97, 1.0)] == [
        "0 of 10",
        "less than 1 of 10",
        "4 of 10",
        "more than 9 of 10",
        "10 of 10",
    ]


@pytest.mark.parametrize(
    ("call", "field"),
    [
        (lambda: deciding(pd.Series({"a": 1.2})), "chance"),
        (lambda: deciding(pd.Series({"a": 0.2}), pd.Series({"a": -0.1})), "beside"),
        (lambda: deciding(pd.Series({"a": 0.2}), differs=0.0), "differs"),
    ],
)
def test_what_is_no_chance_is_refused(call, field):
    with pytest.raises(InputError) as caught:
        call()
    assert caught.value.field == field
