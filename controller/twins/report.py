"""report.html: the comparison on one page that needs nothing else, findings first."""

from pathlib import Path
from typing import Any

from controller import __version__
from controller.errors import JournalError
from controller.science.stages import stage_words
from controller.templates import templates_in
from controller.twins.comparing import Comparison
from controller.twins.cover import Cover, CoverTest
from controller.twins.environment import margins_of
from controller.twins.figures import draw_all
from controller.twins.plants import FALSE_ALARM_FRACTION
from controller.twins.pupil import pupil_words
from controller.twins.sheet import rows_of
from controller.twins.story import (
    deviation_words,
    findings_of,
    headline,
    limits_words,
    span_words,
    what_was_compared,
)

TEMPLATE = "report.html.jinja"
DEVIATIONS_SHOWN = 30

METHODS = (
    ("Days", "counted from the first water of each run, on UTC; a day with more than 4 h unread is compared with "
             "nothing; nothing is filled in."),
    ("Alike or different", "paired differences of daily means; two one-sided tests against the margins (Schuirmann "
     "1987; Lakens 2017). Different: the 99 % interval leaves out 0 (eight questions are asked) and the difference is "
     "over the margin. Everything else is not settled. Days resemble the day before, so fewer days are counted "
     "(Zwiers and von Storch 1995); what the two sensors may be off by is added (assumed: 0.3 °C, 2 % humidity, "
     "rectangular). Light is recorded in full, so its days are no chance: its mean distance alone decides."),
    ("Limits of agreement", "mean difference ± 1.96 standard deviations of the daily differences (Bland and Altman "
     "1986)."),
    ("Degree-days", "integral of the air temperature above the plan's base; hours without a reading are bridged."),
    ("Share emerged", "Wilson (1927) and exact (Clopper and Pearson 1934) intervals; Fisher's exact test."),
    ("Curves of emergence", "Kaplan and Meier (1958), Greenwood's error. A seedling came up between two looks, so the "
     "log-rank test takes those intervals (Turnbull 1976; Finkelstein 1986), within species, its probability by "
     "rearranging which twin each seed stood in."),
    ("Did the seed differ", "three scores of each seed within its species: not emerged; late, by the likelihood of its "
     "interval in degree-days (log-normal); and the sum of both, since ageing seed comes up late before it fails to "
     "come up (Ellis and Roberts 1981). The one that stands out most counts, by rearrangement, so that the three err "
     "as one (Westfall and Young 1993)."),
    ("Speed of emergence", "a log-normal time is fitted to the intervals between looks, with one ratio between the "
     "twins, in days and in degree-days (Lindsey and Ryan 1998)."),
    ("Indices", "t50 (Coolbear 1984; Farooq 2005), mean germination time, variance, synchrony Z and uncertainty U "
     "(Ranal and Santana 2006), germination index (weights T - t)."),
    ("Growth", "a logistic or Gompertz curve for each plant; final heights, and leaf numbers at one age since "
     "emergence, compared plant by plant, never look by look (looks at one plant are not independent), by rearranging "
     "plants between twins within each species (Pitman 1937; Westfall and Young 1993); one species alone: Welch 1947."),
    ("Cover", "a logistic curve for the green cover of each bed. A bed is one thing, however often it is photographed: "
     "two curves are compared by the extra sum of squares with the pictures counted as fewer where their errors follow "
     "each other (Bates and Watts 1988, 3.10), which speaks of these two beds and of no others."),
    ("Many questions", "the probabilities of all pairs' plant questions are raised together (Holm 1979, three quarters "
     "of the weight on the seed) so that plants that are alike are called different in at most 3 of 100 comparisons, "
     "and places and plants together in at most 5. "
     "With more than two chambers each verdict on the places is asked to be surer by the number of pairs (Bonferroni), "
     "with the scatter of days taken from all pairs; before the pairs, all chambers are asked at once."),
    ("Rank of deviations", "by how many margins it was off, times the days it lasted (a choice of this project)."),
    ("Reporting sheet", "quantities of the international minimum guidelines for growth rooms and chambers (ICCEG "
     "2004; Tibbitts, Sager and Krizek 2000), in our own words."),
    ("Growth stages", "BBCH codes (Meier 2001)."),
)  # fmt: skip


def write_report(
    comparison: Comparison,
    path: Path,
    pictures: dict[str, Any] | None = None,
    covers: list[Cover] | None = None,
    cover_pairs: list[CoverTest] | None = None,
) -> None:
    """Write the page. JournalError when it cannot be written."""
    page = render(comparison, pictures or {}, covers, cover_pairs)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(page, encoding="utf-8")
    except OSError as error:
        raise JournalError(f"{path}: the report cannot be written: {error}") from error


def render(
    comparison: Comparison,
    pictures: dict[str, Any],
    covers: list[Cover] | None = None,
    cover_pairs: list[CoverTest] | None = None,
) -> str:
    """The page as text."""
    stages = sorted(
        {look.growth_stage_bbch for t in comparison.twins for look in t.looks if look.growth_stage_bbch is not None}
    )
    page: str = (
        templates_in(Path(__file__).parent)
        .get_template(TEMPLATE)
        .render(
            comparison=comparison,
            twins=comparison.twins,
            plan=comparison.twins[0].settings.plan,
            what=what_was_compared(comparison),
            headline=headline(comparison),
            findings=findings_of(comparison),
            deviations_told=deviation_words(comparison),
            deviations=comparison.deviations[:DEVIATIONS_SHOWN],
            deviations_left=max(0, len(comparison.deviations) - DEVIATIONS_SHOWN),
            limits=limits_words(comparison),
            pupil=pupil_words(comparison),
            span=span_words,
            figures=draw_all(comparison, covers or []),
            cover_pairs=cover_pairs or [],
            margins_given=comparison.twins[0].settings.plan.margins is not None,
            margins=margins_of(comparison.twins[0]),
            sheet=rows_of(comparison.twins),
            methods=METHODS,
            stages=[(stage, stage_words(stage)) for stage in stages],
            pictures=pictures,
            version=__version__,
            number=number,
            false_alarm=FALSE_ALARM_FRACTION,
            probability=probability,
            growth_tests=[(plants, test) for plants in comparison.plants for test in plants.growth.tests],
        )
    )
    return page


def number(value: float | None, decimals: int = 2) -> str:
    """The value for a cell of the page; a dash where there is none."""
    return "–" if value is None or value != value else f"{value:z.{decimals}f}"  # noqa: RUF001 (a dash on paper)


def probability(p: float) -> str:
    """With three decimals; what is smaller says so."""
    return "< 0.001" if p < 0.001 else f"{p:.3f}"
