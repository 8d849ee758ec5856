"""The course's exercises: question, right answer, and the usual wrong ones with what to say.

Right and wrong answers are computed from the package's own physics or from textbook formulas, never
written down as results. ``Exercise.check`` takes what a learner typed or chose.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from loadlearn.vehicle.roadload import GRAVITY_M_S2, grade_angle, resisting_force

MASS_KG, ROLLING, DRAG_M2, DENSITY, SPEED_M_S = 5180.0, 0.0138, 2.1, 1.2, 20.0


@dataclass(frozen=True)
class Verdict:
    """What to say to an answer."""

    right: bool
    words: str


@dataclass(frozen=True)
class Number:
    """An exercise that asks for a number.

    Attributes
    ----------
    question : str
        Markdown.
    unit : str
        Of the answer.
    right : float
    because : str
        Said to a right answer.
    wrong : tuple of (float, str)
        Usual wrong answers, each with its hint.
    within : float
        Relative tolerance.
    """

    question: str
    unit: str
    right: float
    because: str
    wrong: tuple[tuple[float, str], ...]
    within: float = 0.012

    def check(self, answer: str | float | None) -> Verdict:
        """Judge an answer; a decimal comma is a point."""
        try:
            value = float(str(answer).replace(",", ".").strip())
        except ValueError:
            return Verdict(False, "Give a number, without its unit.")
        for known, hint in ((self.right, ""), *self.wrong):
            if abs(value - known) <= self.within * abs(known):
                return Verdict(not hint, hint or self.because)
        return Verdict(
            False, "Not that, and none of the usual slips: write the balance down again."
        )


@dataclass(frozen=True)
class Choice:
    """An exercise that asks which.

    Attributes
    ----------
    question : str
        Markdown.
    right, because : str
    wrong : tuple of (str, str)
        The other options, each with its hint.
    """

    question: str
    right: str
    because: str
    wrong: tuple[tuple[str, str], ...]

    @property
    def options(self) -> list[str]:
        """All options in an order that does not give the right one away."""
        return sorted([self.right, *(one for one, _ in self.wrong)])

    def check(self, answer: str | None) -> Verdict:
        """Judge an answer."""
        if answer == self.right:
            return Verdict(True, self.because)
        return Verdict(False, dict(self.wrong).get(str(answer), "Choose one of the answers."))


def _climb_n(mass_kg: float = MASS_KG, rolling: float = ROLLING, drag_m2: float = DRAG_M2) -> float:
    sine, cosine = (float(one) for one in grade_angle(5.0))
    return resisting_force(mass_kg, rolling, drag_m2, DENSITY, SPEED_M_S, 0.0, sine, cosine)


def _five_degrees_n() -> float:
    sine, cosine = math.sin(math.radians(5.0)), math.cos(math.radians(5.0))
    return resisting_force(MASS_KG, ROLLING, DRAG_M2, DENSITY, SPEED_M_S, 0.0, sine, cosine)


_KINETIC_M = (80.0 / 3.6) ** 2 / (2.0 * GRAVITY_M_S2)
_SAND_N = MASS_KG * GRAVITY_M_S2 * (0.088 - 0.014)
_ODDS = 0.001 / 0.999 * math.exp(7.0)
_SCALE_KG = 0.03 * MASS_KG

EXERCISES: dict[int, tuple[Number | Choice, Number | Choice]] = {
    1: (
        Number(
            "The crew passes a hilltop 100 m above the depot at 80 km/h. What is its energy height "
            "above the depot, rotating parts left aside?",
            "m",
            100.0 + _KINETIC_M,
            "Height and v²/2g together: at 80 km/h the motion is worth 25 m of hill.",
            (
                (_KINETIC_M, "That is the motion's share alone; the hill's 100 m come on top."),
                (100.0, "That is the hill alone; a moving body holds v²/2g more."),
                (100.0 + 80.0**2 / (2.0 * GRAVITY_M_S2), "80 is in km/h; v is in m/s."),
                (100.0 + 2.0 * _KINETIC_M, "Kinetic energy is mv²/2: where is the half?"),
            ),
        ),
        Number(
            "The combination (5180 kg, c = 0.0138, C<sub>d</sub>A = 2.1 m², air 1.2 kg/m³, no wind) "
            "climbs a 5 % grade at a steady 20 m/s. What force must reach the tread?",
            "N",
            _climb_n(),
            "Grade, rolling and drag; at steady speed nothing goes into motion.",
            (
                (_climb_n(drag_m2=0.0), "Grade and rolling are there; drag is missing."),
                (_climb_n(rolling=0.0), "Grade and drag are there; rolling is missing."),
                (_five_degrees_n(), "5 % is a rise of 5 in 100, not 5 degrees."),
                (
                    _climb_n(mass_kg=MASS_KG / GRAVITY_M_S2),
                    "The weight is m g: you have taken the mass for it.",
                ),
            ),
        ),
    ),
    2: (
        Number(
            "A regressor varies with sd 0.30 m/s²; its channel adds independent noise of sd "
            "0.10 m/s². By what factor does least squares multiply the true slope?",
            "",
            0.30**2 / (0.30**2 + 0.10**2),
            "True variance over seen variance: a tenth of the mass is gone, however long the log.",
            (
                (0.30 / 0.40, "Variances add, not standard deviations."),
                (1.0 + (0.10 / 0.30) ** 2, "Turned over: noise in a regressor pulls towards zero."),
                (1.0 - 0.10 / 0.30, "It is the ratio of variances that counts, not that of sds."),
                (
                    0.30 / math.hypot(0.30, 0.10),
                    "That is the correlation; the slope has its square.",
                ),
            ),
            0.008,
        ),
        Choice(
            "A noisy grade stands among the regressors, and the mass comes out too low. What helps?",
            "Put what is noisy on the side of the response, and integrate it to a height",
            "Noise in the response costs width, not bias; that is what energy height is for.",
            (
                (
                    "A log ten times as long",
                    "The interval shrinks about the wrong value: the factor has no n in it.",
                ),
                (
                    "Ridge regression",
                    "A penalty pulls the slope to zero; it is too near to zero already.",
                ),
                (
                    "Logging at 100 Hz instead of 10 Hz",
                    "More samples of the same noisy regressor: as biased, only surer of it.",
                ),
            ),
        ),
    ),
    3: (
        Number(
            "Believed: 5000 ± 300 kg. An independent reading says 5300 ± 400 kg. Mean after the "
            "update?",
            "kg",
            5000.0 + 300.0 * 300.0**2 / (300.0**2 + 400.0**2),
            "Gain K = 300² / (300² + 400²) = 0.36 of what is new.",
            (
                (5150.0, "That is the plain mean; the surer one counts for more."),
                (5192.0, "Weights swapped: the gain is the prior's variance over the sum."),
                (5000.0 + 300.0 * 3.0 / 7.0, "Weigh by inverse variances, not by inverse sds."),
                (5300.0, "The reading alone: what was believed before is forgotten."),
            ),
            0.0015,
        ),
        Number(
            "And the standard deviation after that update?",
            "kg",
            1.0 / math.hypot(1.0 / 300.0, 1.0 / 400.0),
            "Inverse variances add: information is never lost.",
            (
                (350.0, "An average of the sds would be worse than the prior was."),
                (500.0, "Variances add when errors add; here informations (1/variance) add."),
                (250.0, "That is the sd of the plain mean, not of the best one."),
                (300.0 * 400.0 / 700.0, "Inverse variances add, not inverse sds."),
            ),
        ),
    ),
    4: (
        Number(
            "The squared normalised innovations have a mean of 4. By what factor is the filter's "
            "sd of an innovation too small?",
            "",
            2.0,
            "The square root: the mean of the squares is the ratio of variances.",
            (
                (4.0, "That is the ratio of the variances."),
                (0.5, "Turned over: innovations are larger than the filter expects."),
                (16.0, "Squared once too often."),
            ),
        ),
        Choice(
            "The mean square of the innovations is 1.0, but neighbours correlate with 0.6. What is "
            "missing?",
            "A state for a disturbance that lasts: its colour is not in the model",
            "White noise of any size leaves the correlation; a state with a time constant takes it.",
            (
                (
                    "Nothing: a mean square of one is all that is asked",
                    "One by one they are as large as expected; together they say the same thing "
                    "several times over, and the filter believes it each time.",
                ),
                (
                    "A larger measurement noise R",
                    "The mean square falls below one, and the neighbours still agree.",
                ),
                (
                    "A smaller process noise Q",
                    "That makes the filter surer of what is already wrong for seconds.",
                ),
            ),
        ),
    ),
    5: (
        Number(
            "On the flat at steady speed the force less drag is m g c. It is known exactly, and c "
            "only as the handbook's 0.0105 ± 0.0030. How sure is the mass, in per cent (one sd)?",
            "%",
            100.0 * 0.0030 / 0.0105,
            "As unsure as c: the product is known, the factors are not.",
            (
                (0.30, "That is the sd of c in per cent of the weight; you want it relative to c."),
                (0.0030 / 0.0105, "That is a share; the question asks for per cent."),
                (100.0 * 0.0105 / 0.0030, "Turned over."),
                (2.86, "A factor of ten has gone missing."),
            ),
            0.02,
        ),
        Choice(
            "A day of cruise control on a flat motorway has taught nothing of the mass. What would?",
            "Ask the cruise control for other speeds a few times, or drive over a hill",
            "What you command, or the road does, is no answer to anything unseen.",
            (
                (
                    "Another day of the same",
                    "The force only answers gusts and slopes that no channel shows: more of it is "
                    "more of the answer.",
                ),
                (
                    "A logger at 100 Hz",
                    "It shows the same answers in finer steps.",
                ),
                (
                    "Less noise told to the filter",
                    "It would be surer, of a number that the controller wrote.",
                ),
            ),
        ),
    ),
    6: (
        Number(
            "Given the scale the mass is known to 38 kg. The scale has an sd of 3 %, the mass is "
            "5180 kg. What is the sd in all?",
            "kg",
            math.hypot(38.0, _SCALE_KG),
            "Independent errors: variances add, and the scale's rules.",
            (
                (38.0 + _SCALE_KG, "Independent errors add in variance, not in sd."),
                (_SCALE_KG, "The scale alone; the drive's own 38 kg are still there."),
                (38.0, "That is given the scale, which nobody has told you."),
                (math.sqrt(38.0 * _SCALE_KG), "A geometric mean; variances add."),
            ),
        ),
        Number(
            "The computed force implies 5100 kg, the weighbridge says 5180 kg. What is the tractive "
            "scale (true force over computed force)?",
            "",
            5180.0 / 5100.0,
            "The same motion at more mass took more force than was computed.",
            (
                (5100.0 / 5180.0, "Turned over: the true force is larger than the computed one."),
                (1.57, "That is the difference in per cent; the scale is a ratio."),
                (80.0, "That is the difference; the scale is a ratio."),
                (1.0 + 0.5 * 80.0 / 5100.0, "Force is in proportion to mass: no half, no root."),
            ),
            0.002,
        ),
    ),
    7: (
        Number(
            "At steady speed on the level, c rises from 0.014 to 0.088. How much more force does "
            "the combination of 5180 kg need?",
            "N",
            _SAND_N,
            "m g Δc: about as much as a climb of 7 %, and no channel says why.",
            (
                (_SAND_N / GRAVITY_M_S2, "The weight is m g."),
                (
                    MASS_KG * GRAVITY_M_S2 * 0.088,
                    "That is all of the rolling resistance; asked is what comes on top.",
                ),
                (
                    MASS_KG * GRAVITY_M_S2 * (0.088 + 0.014),
                    "The difference of the two, not their sum.",
                ),
            ),
        ),
        Number(
            "Before: Pr(sand) = 0.001. One second of driving is e⁷ times as likely on sand as on "
            "bitumen. What is Pr(sand) now?",
            "",
            _ODDS / (1.0 + _ODDS),
            "Prior odds times the likelihood ratio; a second later it is 0.999.",
            (
                (_ODDS, "Those are the odds; a probability is odds / (1 + odds)."),
                (
                    1.0 / (1.0 + math.exp(-7.0)),
                    "The evidence alone: that sand is rare was known before.",
                ),
                (0.007, "Seven is a logarithm: the ratio is e⁷, and it multiplies."),
            ),
            0.01,
        ),
    ),
    8: (
        Number(
            "Combined mass 5130 ± 160 kg, tow vehicle 2650 ± 110 kg, independent. What is the sd of "
            "the trailer's mass?",
            "kg",
            math.hypot(160.0, 110.0),
            "A difference of independent numbers is less sure than either.",
            (
                (50.0, "Errors do not cancel in a difference unless they are the same error."),
                (270.0, "Variances add, not sds."),
                (160.0, "The tow vehicle's own 110 kg are missing."),
            ),
        ),
        Choice(
            "Why is another load a hypothesis at standstills only?",
            "Because nothing is hitched, unhitched or filled while driving",
            "What cannot happen must not be a way out: so sand can never be explained as mass.",
            (
                (
                    "Because the mass is measured best at a standstill",
                    "At a standstill nothing is learnt: no force, no motion.",
                ),
                (
                    "To save computing",
                    "It does, but a free mass would also be wrong: it would follow every ground.",
                ),
                (
                    "Because a filter needs minutes to notice",
                    "It needs seconds; what it may not do is to explain them by a new load.",
                ),
            ),
        ),
    ),
    9: (
        Number(
            "200 honest 95 % intervals, independent. By how many does the number of misses vary "
            "from 200 drives to the next 200 (one sd)?",
            "",
            math.sqrt(200.0 * 0.05 * 0.95),
            "Binomial: 10 misses, give or take 3.",
            (
                (200.0 * 0.05 * 0.95, "That is the variance."),
                (10.0, "That is how many are to be expected."),
                (math.sqrt(200.0), "Misses are rare: each of the 200 has variance 0.05 × 0.95."),
                (math.sqrt(0.05 * 0.95 / 200.0), "That is the sd of the share; asked is a number."),
            ),
            0.03,
        ),
        Choice(
            "182 of 200 intervals that claim 95 % hold the truth. What do you say?",
            "They are too narrow: Wilson's interval of the share ends below 95 %",
            "0.91 with [0.862, 0.942]: chance does not explain it.",
            (
                (
                    "Within chance: 91 is near 95",
                    "190 ± 3 were to be expected; this is 2.6 sd away. Count before you forgive.",
                ),
                (
                    "They are too wide",
                    "Too wide would hold more than 190.",
                ),
                (
                    "Nothing can be said without the sizes of the errors",
                    "The sizes say more (rms z), but the count alone decides this one.",
                ),
            ),
        ),
    ),
    10: (
        Number(
            "The mass is known to 60 kg given the scale. A climb would give an independent reading "
            "of 80 kg. What is the sd after it?",
            "kg",
            1.0 / math.hypot(1.0 / 60.0, 1.0 / 80.0),
            "Informations add; the second reading is never worth nothing.",
            (
                (70.0, "A mean of the two would be worse than before."),
                (100.0, "That adds the errors; informations (1/variance) add."),
                (20.0, "A difference of sds has no meaning."),
                (60.0 * 80.0 / 140.0, "Inverse variances add, not inverse sds."),
            ),
        ),
        Choice(
            "The mass is known to 0.8 % given the scale and to 3.1 % in all. What to do next?",
            "Weigh the combination once, and calibrate",
            "Nearly all of the 3.1 % is the scale, which no road tells.",
            (
                (
                    "Two more hours of hills",
                    "They would halve the 0.8 %, and leave 3.0 % in all.",
                ),
                (
                    "A coast-down for the drag area",
                    "Drag is not what limits the mass here.",
                ),
                (
                    "A better altimeter",
                    "It works on the 0.8 % only.",
                ),
            ),
        ),
    ),
    11: (
        Choice(
            "The summary says: not to be trusted, the drive was steady for nine tenths of its time. "
            "It gives 5400 ± 600 kg. What do you do with the number?",
            "Leave it: drive a hill or some changes of speed, and learn from that",
            "It says that it does not know. Belief and interval are still near the prior.",
            (
                (
                    "Use 5400 kg: it is the best estimate there is",
                    "It is nearly what was believed before the drive.",
                ),
                (
                    "Make the interval narrower by logging longer",
                    "More steady driving is more of the same answer (chapter 5).",
                ),
                (
                    "Weigh nothing, since an interval is given",
                    "An estimate is not a weighing, least of all this one.",
                ),
            ),
        ),
        Number(
            "A logger rounds the speed to whole km/h. What sd does the rounding alone have, in m/s?",
            "m/s",
            1.0 / 3.6 / math.sqrt(12.0),
            "A uniform error over one step: step / √12.",
            (
                (1.0 / math.sqrt(12.0), "That is in km/h."),
                (1.0 / 3.6, "That is the whole step; errors are at most half of it."),
                (0.5 / 3.6, "That is the largest error, not its sd."),
                (1.0 / 3.6 / 12.0, "1/12 is a variance of one step squared: take the root first."),
            ),
            0.015,
        ),
    ),
}
"""Two for each chapter."""
