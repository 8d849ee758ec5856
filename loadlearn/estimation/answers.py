"""What the driver's answer to the unseen may pass for: an uncertainty that is considered.

A foot or a cruise control that holds the speed turns every force that is not seen (a gust, a patch
of rough road) into pedal. The force is then correlated with what the model leaves out, and takes
part of the answer for load: the mass comes out too heavy, and no noise model cures it
(identification in closed loop; Soderstrom & Stoica, *System Identification*, 1989, and Ljung,
*System Identification*, 1999, from memory).

How much it can be follows from what the filter knows. Weighted least squares of the slope-like
motion y on the specific force x, weights the inverse spectrum of what is left out, has the
information I = sum phi^2 X / D over all frequencies (relative: the variance is 1 / I), and the bias
that an answer x = -T delta / phi makes is::

    (sum phi X_delta / D) / I  =  (sum T) / I  <=  n / I

with n the number of independent stretches of disturbance that are answered in full, which is the
time driven over the time that an answer takes: ``c = variance of the mass x time / tau``. Where
hills and commanded changes of speed excite, information comes fast and c is small, however long
one drives; in steady cruise on the flat the force *is* the answer, and c is near one. c is
considered (Schmidt, Adv. Control Systems 3, 1966): it widens what the drive has told, and where the
drive tells nothing the belief from before it stays.
"""

from __future__ import annotations

from loadlearn._compile import jit

ANSWERED_EVERY_S = 12.0
"""The driver answers one independent stretch of what is unseen in so long, tau
(``off_the_model.py``)."""
LEAST_SHARE = 0.2
"""An inverse mass that the answers have drawn to nothing counts as this share of the prior's."""


@jit
def considered(
    phi: float, variance: float, prior_phi: float, prior_variance: float, answers: float
) -> tuple[float, float]:
    """What a drive tells of the inverse mass when the driver's answers may be part of it.

    The prior is taken out of the filter's belief, what is left is widened, and the prior is put
    back: all of it normal.

    Parameters
    ----------
    phi, variance : float
        The filter's belief (1/kg, 1/kg^2).
    prior_phi, prior_variance : float
        Its belief before the drive.
    answers : float
        Independent stretches of what is unseen that were answered meanwhile.

    Returns
    -------
    phi, variance : float
    """
    if variance >= prior_variance:
        return phi, variance
    alone = 1.0 / (1.0 / variance - 1.0 / prior_variance)
    told = alone * (phi / variance - prior_phi / prior_variance)
    answered = alone * answers / max(phi, LEAST_SHARE * prior_phi)
    alone += answered * answered
    together = 1.0 / (1.0 / alone + 1.0 / prior_variance)
    return together * (told / alone + prior_phi / prior_variance), together
