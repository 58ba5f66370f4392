"""How a cohort's figures were calculated, with sources, and the words of its page."""

from __future__ import annotations

from needlecoach.cohort.values import CohortReport
from needlecoach.reporting.cohort_words import CROSSINGS, count, exact_percent, percent

# Of citations, those without a page number are from memory.
_INTERVALS = {
    "Wilson": "Intervals of shares are Wilson’s, 95 % (as in Newcombe, Statistics in Medicine 1998;17:857).",
    "Jeffreys": "Intervals of shares are Jeffreys’, 95 % (as in Brown, Cai and DasGupta, Statistical "
    "Science 2001).",
}


def methods(report: CohortReport) -> list[tuple[str, str]]:
    """Pairs of a name and how that was calculated, for what the page shows."""
    rates, told = report.rates, report.calibration
    kinds = dict.fromkeys(one.hits.method for one in report.learners)
    return [
        (
            "Success",
            "A hit counts as success, a miss or a borderline outcome as failure. Attempts that could not be "
            "scored are left out of shares and CUSUMs. "
            + " ".join(_INTERVALS.get(kind, f"Intervals of shares: {kind}, 95 %.") for kind in kinds),
        ),
        (
            "Learning curves",
            "Every known attempt is a point. The line is a smoothing spline through them (Wahba, Journal of "
            "the Royal Statistical Society B 1978;40:364), the shaded band its 95 % interval: it is for the "
            "course, not for single attempts, and where it is wide, little is known. With too few points "
            "there is no line.",
        ),
        (
            "CUSUM",
            f"After each attempt a failure adds, a success takes away (Kestin, British Journal of "
            f"Anaesthesia 1995;75:805). Acceptable failure rate {exact_percent(rates.acceptable)}, "
            f"unacceptable {exact_percent(rates.unacceptable)}. Risk of calling an acceptable rate "
            f"unacceptable {exact_percent(rates.alpha)}, of the reverse {exact_percent(rates.beta)}. "
            f"{CROSSINGS[report.crossing]}",
        ),
        (
            "LC-CUSUM",
            f"Asks when inadequate performance is over (Biau and others, British Journal of Surgery "
            f"2008;95:925), with the same two rates. Its limit, {told.limit:.3g}, was found by simulating "
            f"{told.runs:,} learners of each kind over {count(told.length, 'trial')}: of those at the "
            f"unacceptable rate {percent(told.false_competence, decimals=1)} are declared competent, of "
            f"those at the acceptable rate {percent(told.true_competence, decimals=1)}.",
        ),
        (
            "Risk-adjusted CUSUM",
            "Weighs each result by what the target lets expect of an average learner (Steiner and others, "
            "Biostatistics 2000;1:441). It rises when results are worse than that.",
        ),
        (
            "Difficulty and ability",
            "A model after Rasch (1960) tells learners from targets: the chance of a hit is "
            "1 / (1 + exp(difficulty − ability)), both in logits. Abilities are those of the latest attempt, "
            "0 is the mean target, and estimates of which little is known are drawn towards the mean.",
        ),
        (
            "Which target teaches most",
            "One attempt tells most of a learner where hit and miss are equally likely; the mean of that "
            "over all learners, as a share of the best target’s. That practice there also trains most is "
            "plausible, not shown for needles.",
        ),
        (
            "Index of difficulty, throughput",
            "log2(distance / width + 1) in bits (MacKenzie, Human-Computer Interaction 1992), and bits per "
            "second until the target was reached. Known from pointing; not yet shown for needles.",
        ),
    ]


GLOSSARY = (
    ("Attempt", "from the moment the needle comes into the picture until it has left it."),
    ("Hit, miss, borderline", "tip (or notch) inside the target for long enough; not; too close to tell."),
    ("Middle", "of the target: distance from it is measured in the picture’s plane only."),
    ("Blind advance", "going deeper, to where the tip had not been before, while it could not be seen."),
    ("Pass", "one push forward of at least 3 mm."),
    (
        "95 % interval",
        "a range that holds the true value in 95 of 100 such cases, if the method’s assumptions hold.",
    ),
    ("±", "one standard uncertainty: about two of three such values lie within it of the true one."),
    ("CUSUM", "a running count of successes and failures that shows early whether a rate is good enough."),
    (
        "Competent",
        "only that this count passed its limit on this phantom. It is no test of fitness to treat patients.",
    ),
    ("Trial", "an attempt that could be scored."),
    ("Logit", "the scale of ability and difficulty: 1 above is odds of success about 2.7 times as good."),
)
