"""Numbers of the comparison that a person may want to change, with their defaults."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class RunSettings:
    """How a run is cut down to the pull at full load; every number may be changed.

    Attributes
    ----------
    spike_sigmas : float
        A sample further than this many robust standard deviations from its running median is a
        spike.
    load_floor_share : float
        The pull begins when the load has reached this share of its 95th percentile.
    tip_in_s : float
        Time after that during which the load is still building, set aside (needs ``time_s``).
    lift_off_share : float
        The pull ends before the load falls below this share of its running median.
    full_accelerator_percent : float
        With an accelerator channel only samples at or above this count.
    """

    spike_sigmas: float = 6.0
    load_floor_share: float = 0.3
    tip_in_s: float = 0.3
    lift_off_share: float = 0.85
    full_accelerator_percent: float = 95.0


@dataclass(frozen=True)
class ComparisonSettings:
    """Numbers of the comparison that a person may want to change.

    Attributes
    ----------
    grid_step_rpm, smoothing_rpm : float
        Step of the common engine-speed grid, and standard deviation of the smoothing kernel
        (1/min); the same for every run.
    repeat_sd_percent, repeat_prior_runs : float
        Spread of repeat runs believed beforehand (1 %: common practice, no source), and how many
        runs' worth of evidence that belief counts for.
    driveline_efficiency, driveline_efficiency_sd : float
        Crankshaft to tread, for the engine's torque.
    tyre_loss_n : float
        Rolling resistance of the tyres on the rollers, added to the measured force (N).
    wheels_on_rollers_share : float
        Share of the rig's wheel inertia that turns during the test.
    remove_inertia : bool
        Whether the torque that accelerated the engine and the wheels is added back (needs the
        rig and ``time_s``).
    """

    grid_step_rpm: float = 50.0
    smoothing_rpm: float = 80.0
    repeat_sd_percent: float = 1.0
    repeat_prior_runs: float = 3.0
    driveline_efficiency: float = 0.90
    driveline_efficiency_sd: float = 0.02
    tyre_loss_n: float = 0.0
    wheels_on_rollers_share: float = 0.5
    remove_inertia: bool = True
