"""Ramps: nothing surprises the driver, and every cap wins in its time."""

from __future__ import annotations

import numpy as np
from draws_bench import evenly, whole
from hypothesis import given
from hypothesis import strategies as st

from loadlearn.policy.arbitration import REMOVAL_OF_CAP, RISE_PER_S, arbitrate
from loadlearn.policy.protections import AT_ONCE, GRADUAL, HEAT, PROTECTIONS, SENSOR

unit = evenly(0.0, 1.0)
interval = evenly(0.01, 1.0)
WITHIN_S = {AT_ONCE: 0.0, SENSOR: 0.5, HEAT: 1.0, GRADUAL: 10.0}


@given(unit, unit, st.lists(unit, min_size=21, max_size=21), st.booleans(), interval)
def test_rises_slowly_and_only_when_asked(share, wanted, caps, may_rise, dt):
    given_share = arbitrate(share, wanted, np.array(caps), REMOVAL_OF_CAP, may_rise, dt)
    assert 0.0 <= given_share <= 1.0
    assert given_share <= share + RISE_PER_S * dt + 1e-12
    if not may_rise:
        assert given_share <= share
    if given_share > share:
        assert given_share <= min(wanted, *caps) + 1e-12


@given(whole(len(PROTECTIONS)), unit, unit, interval)
def test_each_cap_is_reached_within_its_time(which, share, cap, dt):
    caps = np.ones(len(PROTECTIONS))
    caps[which] = cap
    now, elapsed = share, 0.0
    within = WITHIN_S[PROTECTIONS[which].removal]
    while now > cap + 1e-12:
        before = now
        now = arbitrate(now, 1.0, caps, REMOVAL_OF_CAP, True, dt)
        elapsed += dt
        assert now < before
    assert elapsed <= within + 2.0 * dt
    if PROTECTIONS[which].removal == GRADUAL and share - cap > 0.2:
        assert elapsed >= 10.0 * (share - cap) - 1e-9, "ratings never take it in one step"


def test_caps_win_in_every_setting():
    caps = np.ones(len(PROTECTIONS))
    for which, protection in enumerate(PROTECTIONS):
        caps[:] = 1.0
        caps[which] = 0.0
        share = 1.0
        for _ in range(120):
            share = arbitrate(share, 1.0, caps, REMOVAL_OF_CAP, True, 0.1)
        assert share == 0.0, protection.name
