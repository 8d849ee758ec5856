"""The grounds' priors bracket each row of the handbook tables.

Sources: Gillespie, *Fundamentals of Vehicle Dynamics* (secondary); an engineering handbook page
(read); Bosch *Automotive Handbook* (from memory); EU tyre label, Regulation (EC) 1222/2009 Annex I
(read); car tyre on asphalt with pressure and speed, c = 0.005 + (0.01 + 0.0095 (v/100)^2)/p
(read).
"""

from __future__ import annotations

import pytest

from loadlearn.vehicle.roadload import HANDBOOK_GROUNDS, rolling_coefficient

GROUND = {ground.name: ground for ground in HANDBOOK_GROUNDS}

# What the table calls it, the value (or an end of its range), the grounds it may be.
ROWS = [
    ("Gillespie: concrete, car", 0.015, ["sealed"]),
    ("Gillespie: concrete, truck", 0.012, ["sealed"]),
    ("Gillespie: medium-hard soil, car", 0.08, ["earth"]),
    ("Gillespie: medium-hard soil, truck", 0.06, ["earth"]),
    ("Gillespie: sand, car", 0.30, ["soft_sand"]),
    ("Gillespie: sand, truck", 0.25, ["soft_sand"]),
    ("page: new asphalt, car, low", 0.010, ["sealed"]),
    ("page: new asphalt, car, high", 0.015, ["sealed"]),
    ("page: new asphalt, truck, low", 0.006, ["sealed"]),
    ("page: new asphalt, truck, high", 0.010, ["sealed"]),
    ("page: rolled gravel", 0.02, ["gravel"]),
    ("page: solid sand or loose gravel, low", 0.04, ["earth", "sand"]),
    ("page: solid sand or loose gravel, high", 0.08, ["earth", "sand"]),
    ("page: loose sand, low", 0.2, ["sand", "soft_sand"]),
    ("page: loose sand, high", 0.4, ["soft_sand"]),
    ("Bosch: asphalt", 0.013, ["sealed"]),
    ("Bosch: rolled gravel", 0.02, ["gravel"]),
    ("Bosch: unpaved road", 0.05, ["earth"]),
    ("Bosch: field, low", 0.1, ["earth", "sand"]),
    ("Bosch: field, high", 0.35, ["soft_sand"]),
    ("EU label: C1 class A", 0.0065, ["sealed"]),
    ("EU label: C1 class G", 0.0121, ["sealed"]),
    ("EU label: C2 class A", 0.0055, ["sealed"]),
    ("EU label: C2 class G", 0.0106, ["sealed"]),
]


@pytest.mark.parametrize(("value", "names"), [row[1:] for row in ROWS], ids=[r[0] for r in ROWS])
def test_within_two_standard_deviations(value: float, names: list[str]) -> None:
    distances = [
        abs(value - GROUND[name].rolling_resistance) / GROUND[name].rolling_resistance_sd
        for name in names
    ]
    assert min(distances) <= 2.0 + 1e-9


@pytest.mark.parametrize(("value", "names"), [row[1:] for row in ROWS], ids=[r[0] for r in ROWS])
def test_the_ground_named_is_among_the_two_nearest(value: float, names: list[str]) -> None:
    # Concrete at 0.015 lies between sealed and gravel: the table's name must be among the two best.
    ranked = sorted(
        HANDBOOK_GROUNDS,
        key=lambda g: abs(value - g.rolling_resistance) / g.rolling_resistance_sd,
    )
    assert {ranked[0].name, ranked[1].name} & set(names)


def test_grounds_are_ordered_and_leave_no_hole() -> None:
    for low, high in zip(HANDBOOK_GROUNDS, HANDBOOK_GROUNDS[1:], strict=False):
        assert low.rolling_resistance < high.rolling_resistance
        top = low.rolling_resistance + 2.0 * low.rolling_resistance_sd
        bottom = high.rolling_resistance - 2.0 * high.rolling_resistance_sd
        # Between two neighbours nothing lies further than 2.5 standard deviations from both.
        assert bottom - top < 0.5 * (low.rolling_resistance_sd + high.rolling_resistance_sd)


@pytest.mark.parametrize("pressure_bar", [1.8, 2.5, 3.5])
def test_tyre_pressure_formula_at_the_reference_speed(pressure_bar: float) -> None:
    def handbook(kmh: float) -> float:
        return 0.005 + (0.01 + 0.0095 * (kmh / 100.0) ** 2) / pressure_bar

    sealed = GROUND["sealed"]
    at_20 = handbook(72.0)
    assert abs(at_20 - sealed.rolling_resistance) < 2.0 * sealed.rolling_resistance_sd
    # Its speed dependence has the form of the package's, with k = 0.0095 x 0.72^2 / p.
    slope = 0.0095 * 0.72**2 / pressure_bar
    for kmh in (30.0, 72.0, 110.0):
        ours = rolling_coefficient(at_20, slope, kmh / 3.6)
        assert ours == pytest.approx(handbook(kmh), rel=1e-12)
    if pressure_bar == 2.5:
        assert slope == pytest.approx(0.0020, abs=5e-5)
