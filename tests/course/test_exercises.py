"""The course's exercises: right answers are accepted, every usual wrong one gets its own hint."""

from __future__ import annotations

import math
import sys
from pathlib import Path
from typing import Any

import pytest

COURSE = Path(__file__).resolve().parents[2] / "experiments" / "course"
if str(COURSE) not in sys.path:
    sys.path.insert(0, str(COURSE))

from exercises import EXERCISES, Choice, Number  # noqa: E402

from loadlearn import coverage  # noqa: E402

EACH = [
    (number, which, one) for number, two in EXERCISES.items() for which, one in enumerate(two, 1)
]
NAMES = [f"{number}.{which}" for number, which, _ in EACH]


def test_every_chapter_has_two() -> None:
    assert sorted(EXERCISES) == list(range(1, 12))
    assert all(len(two) == 2 for two in EXERCISES.values())


@pytest.mark.parametrize(("number", "which", "exercise"), EACH, ids=NAMES)
def test_the_right_answer_is_accepted(number: int, which: int, exercise: Any) -> None:
    verdict = exercise.check(exercise.right)
    assert verdict.right and verdict.words == exercise.because
    if isinstance(exercise, Number):
        # As a person would type it: rounded to three digits, with a decimal comma.
        typed = f"{exercise.right:.4g}".replace(".", ",")
        assert exercise.check(f" {typed} ").right
        assert not exercise.check(1.3 * exercise.right + 0.01).right


@pytest.mark.parametrize(("number", "which", "exercise"), EACH, ids=NAMES)
def test_each_usual_wrong_answer_gets_its_own_hint(number: int, which: int, exercise: Any) -> None:
    assert len(exercise.wrong) >= 3
    hints = [hint for _, hint in exercise.wrong]
    assert len(set(hints)) == len(hints)
    for answer, hint in exercise.wrong:
        typed = f"{answer:.4g}" if isinstance(exercise, Number) else answer
        verdict = exercise.check(typed)
        assert not verdict.right
        assert verdict.words == hint


@pytest.mark.parametrize(("number", "which", "exercise"), EACH, ids=NAMES)
def test_anything_else_is_refused_with_words(number: int, which: int, exercise: Any) -> None:
    for answer in ("", "twelve", None):
        verdict = exercise.check(answer)
        assert not verdict.right and verdict.words
    if isinstance(exercise, Number):
        assert "usual slips" in exercise.check(-1e6).words
    else:
        assert exercise.options == sorted(exercise.options)
        assert exercise.right in exercise.options


# By hand, on paper, with g = 9.80665 m/s^2 (ISO 80000-3) where it is needed.
BY_HAND = {
    (1, 1): 125.2,  # 100 + (22.222)^2 / 19.6133
    (1, 2): 3741.0,  # 50799.4 N x (0.049938 + 0.0138 x 0.998752) + 0.6 x 2.1 x 400
    (2, 1): 0.9,  # 0.09 / 0.10
    (3, 1): 5108.0,  # 5000 + 0.36 x 300
    (3, 2): 240.0,  # 300 x 400 / 500
    (4, 1): 2.0,
    (5, 1): 28.6,  # 30 / 105
    (6, 1): 160.0,  # sqrt(38^2 + 155.4^2)
    (6, 2): 1.0157,
    (7, 1): 3759.0,  # 50798 N x 0.074
    (7, 2): 0.523,  # 1.0977 / 2.0977
    (8, 1): 194.2,  # sqrt(37700)
    (9, 1): 3.08,  # sqrt(9.5)
    (10, 1): 48.0,  # 60 x 80 / 100
    (11, 2): 0.0802,  # 0.27778 / 3.4641
}


@pytest.mark.parametrize(("number", "which"), sorted(BY_HAND))
def test_right_numbers_are_those_worked_by_hand(number: int, which: int) -> None:
    exercise = EXERCISES[number][which - 1]
    assert isinstance(exercise, Number)
    assert exercise.right == pytest.approx(BY_HAND[number, which], rel=2e-3)


def test_every_number_was_worked_by_hand() -> None:
    numbers = {(n, w) for n, w, one in EACH if isinstance(one, Number)}
    assert numbers == set(BY_HAND)


def test_the_choice_of_chapter_9_is_what_wilson_says() -> None:
    told = coverage([1] * 182 + [0] * 18)
    exercise = EXERCISES[9][1]
    assert isinstance(exercise, Choice)
    # Wilson's interval worked by hand: centre 0.9023, half width 0.0398.
    assert told.low95 == pytest.approx(0.862, abs=1e-3)
    assert told.high95 == pytest.approx(0.942, abs=1e-3)
    assert told.high95 < 0.95 and "Wilson" in exercise.right
    assert (190 - 182) / math.sqrt(9.5) == pytest.approx(2.6, abs=0.05)
