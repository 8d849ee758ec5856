"""What a drive tells of the mass: the filter's belief, widened by what its model cannot know.

Two things are *considered* (Schmidt, Adv. Control Systems 3, 1966): they widen what the drive has
told; where it tells nothing, the belief from before it stays.

*Misfit that lasts.* Were all that is left out as the noise model says, the belief would move over a
stretch of driving by a normal step of variance V_0 - V_1, from one variance to the other. A real
drive's heights drift, its force is wrong here and there, and the steps are larger. Their mean
square over what it should be, lambda, multiplies the variance (the "sandwich" covariance of a
misspecified likelihood: Huber, 5th Berkeley Symposium, 1967; White, Econometrica 50(1), 1982; over
blocks, because errors hang together: Newey & West, Econometrica 55(3), 1987; from memory). One
event that moves the mass widens it by as much: its influence is bounded by what it shows.

*The driver's answers.* A foot or a cruise control that holds the speed turns every force that is
not seen (a gust, a patch of rough road) into pedal. The force is then correlated with what the
model leaves out and takes part of the answer for load; the mass comes out too heavy, and neither a
noise model nor the misfit shows it (identification in closed loop; Soderstrom & Stoica, *System
Identification*, 1989, and Ljung, *System Identification*, 1999, from memory). How much it can be
follows from what the filter knows. Weighted least squares of the slope-like motion y on the
specific force x, with the inverse spectrum of what is left out, D, as weights, has the information
I = sum phi^2 X / D over all frequencies (the relative variance is 1 / I), and an answer
x = -T delta / phi makes the bias::

    (sum phi X_delta / D) / I  =  (sum T) / I  <=  n / I

with n the number of independent stretches of disturbance that are answered in full: the time driven
over the time that an answer takes. Where hills and commanded changes of speed excite, information
comes fast and the bias is small, however long one drives; in steady cruise on the flat the force
*is* the answer, and it is near one.
"""

from __future__ import annotations

from loadlearn._compile import Record, jit

ANSWERED_EVERY_S = 12.0
"""The driver answers one independent stretch of what is unseen in so long (``ablation.py``,
"answers not considered"; ``off_the_model.py``)."""
LEAST_OF_PRIOR = 0.2
"""An inverse mass that the answers have drawn to nothing counts as this share of the prior's."""
BLOCK_S = 90.0
"""Driving time of a stretch: longer than heights and forces stay wrong in one direction."""
KNOWN_VARIANCE = 0.05**2
"""Of the log mass: steps from less certain beliefs are the prior's, not the drive's."""
BLOCKS_BEFORE = 5.0
"""The model is believed to fit until so many stretches speak."""


@jit
def note_block(load: Record, log_mass: float, variance: float) -> None:
    """Note a load's step over a stretch of driving, in place; the next stretch begins.

    Parameters
    ----------
    load : record of ``LOAD``
    log_mass, variance : float
        What its filter believes now.
    """
    before = load.block_variance
    if 0.0 < variance < before < KNOWN_VARIANCE:
        step = log_mass - load.block_log_mass
        load.blocks += 1.0
        load.block_steps += step * step / (before * variance)
        load.block_information += 1.0 / variance - 1.0 / before
    load.block_log_mass, load.block_variance = log_mass, variance
    load.block_from_s = load.driven_s


@jit
def misfit(load: Record) -> float:
    """Mean square of a load's steps over what the model says of it; at least 1."""
    if load.block_information <= 0.0:
        return 1.0
    steps = load.blocks * load.block_steps / load.block_information
    return max(1.0, (BLOCKS_BEFORE + steps) / (BLOCKS_BEFORE + load.blocks))


@jit
def told(
    phi: float,
    variance: float,
    prior_phi: float,
    prior_variance: float,
    whole_phi: float,
    whole_variance: float,
    misfit: float,
    answers: float,
    spread: float,
) -> tuple[float, float]:
    """What a drive tells of the inverse mass, misfit and answers considered.

    The prior is taken out of the filter's belief, what is left is widened, and put together with
    the prior again: all of it normal. A broad prior that was split in parts is put back whole: what
    the drive tells, once it is widened, is no likelier in one of its parts than in the next.

    Parameters
    ----------
    phi, variance : float
        The filter's belief (1/kg, 1/kg^2).
    prior_phi, prior_variance : float
        Its belief before the drive.
    whole_phi, whole_variance : float
        Of the law that this prior is a part of; else the same.
    misfit : float
        See :func:`misfit`.
    answers : float
        Independent stretches of what is unseen that were answered meanwhile; what an altimeter
        drifts by is no force, and nobody answers it.
    spread : float
        Relative sd that what is not known of the channels' delays leaves.

    Returns
    -------
    phi, variance : float
    """
    if variance >= prior_variance:
        return phi, variance
    alone = 1.0 / (1.0 / variance - 1.0 / prior_variance)
    mean = alone * (phi / variance - prior_phi / prior_variance)
    alone *= misfit
    size = max(phi, LEAST_OF_PRIOR * prior_phi)
    answered = alone * answers / size
    alone += answered * answered + (spread * size) ** 2
    together = 1.0 / (1.0 / alone + 1.0 / whole_variance)
    return together * (mean / alone + whole_phi / whole_variance), together
