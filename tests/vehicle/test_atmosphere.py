"""Properties of the correction to standard atmosphere; figures are in the external tests."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from loadlearn.errors import InputError
from loadlearn.vehicle.atmosphere import Correction, fuelling_per_litre_cycle_mg

PRESSURE = st.floats(70.0, 110.0)
TEMPERATURE = st.floats(263.0, 323.0)
CORRECTIONS = st.builds(
    Correction,
    ignition=st.sampled_from(["compression", "spark"]),
    aspiration=st.sampled_from(["turbocharged", "natural"]),
    standard=st.sampled_from(["iso_1585", "sae_j1349"]),
)


@given(CORRECTIONS, PRESSURE, TEMPERATURE)
def test_thinner_or_hotter_air_is_corrected_upwards(correction, pressure, temperature):
    here = correction.factor(pressure, temperature)
    assert correction.factor(pressure - 1.0, temperature) > here
    assert correction.factor(pressure, temperature + 1.0) > here


@given(CORRECTIONS)
def test_nothing_changes_in_the_reference_atmosphere(correction):
    assert correction.factor(99.0, 298.0) == pytest.approx(1.0)


@given(st.floats(0.0, 300.0), st.floats(1.0, 4.0))
def test_engine_factor_stays_within_its_limits(fuelling, ratio):
    correction = Correction()
    factor = correction.engine_factor_from_fuelling(fuelling, ratio)
    assert correction.engine_factor_low <= factor <= correction.engine_factor_high


def test_two_strokes_burn_once_a_revolution():
    four = fuelling_per_litre_cycle_mg(5.0, 2000.0, 2.0)
    assert fuelling_per_litre_cycle_mg(5.0, 2000.0, 2.0, strokes_per_cycle=2) == four / 2.0


def test_warns_outside_the_valid_range_and_only_there():
    correction = Correction()
    assert correction.warnings([98.0], [300.0], [1.02]) == []
    sentences = correction.warnings([98.0, 78.0], [300.0, 316.0], [1.02, 1.15])
    assert [s.split()[0] for s in sentences] == ["intake", "dry", "correction"]
    assert "316" in sentences[0]
    assert "78" in sentences[1]


def test_unknown_family_is_refused():
    with pytest.raises(InputError, match="standard is 'x'"):
        Correction(standard="x")
