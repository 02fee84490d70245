"""Every number with a dimension says its unit in its name; the others stand here with a reason.

Read from the annotations of fields, parameters and return values; a function that returns a number is named like it.
"""

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
FILES = sorted([*ROOT.glob("controller/**/*.py"), *ROOT.glob("firmware_bridge/*.py")])
UNITS = (
    "c", "pct", "fraction", "kpa", "ml", "ml_per_min", "ml_per_step", "ml_per_g", "g", "g_m3", "kg_m3", "mm", "cm",
    "cm2", "per_cm", "cm_h", "cm_d", "s", "ms", "min", "h", "days", "day", "hz", "steps", "steps_per_s", "umol_m2_s",
    "mol_m2", "lux", "bit", "degree_days", "count", "counts", "samples",
    "bytes", "bytes_per_s", "kb_per_s",
)  # fmt: skip
# a quantity keeps its unit before what is said of it: ml_per_step_standard_uncertainty, dose_ml_max, dose_max_ml
SAID_OF_IT = ("standard_uncertainty", "max", "min")
WITH_UNIT = re.compile(rf"(.*_)?({'|'.join(UNITS)})(_({'|'.join(SAID_OF_IT)}))?(_by_[a-z_]+)?")

WITHOUT_UNIT = {
    "tells one thing from another": """
        _following_row_id
        dose_id board_dose_id last_dose_id next_dose_id lost_dose_id lost_id row_id board_id new_identity
         journal_id journal_number
        number format_of session hello_number trip_number board_trip_number
        boot_id next_boot_id request_id corrects ask i2c_address i2c_bus address
        place before number position seed slot last_slot _slot_after order signal_number growth_stage_bbch checksum
        first_row last_row last_boot_row place_id port status day_number
        row day_of _day_of quarter sht31_checksum checksum_by_table baud _scheduled_anchor lock_run fileno
        balance_baud
        session new_identity trip_number
    """,
    "is the number of a pin": "lamp leak overfill_float status_lamp acknowledge_button",
    "is a row, a place in a table, or a port": "corrected_by last_reading_row before port last place portion line",
    "is an answer's status in HTTP": "status",
    "is a number somebody wrote, with the unit of its field": "number_of whole_of _whole otherwise found",
    "is a plot's point, a moment and a value": "points",
    "counts things": """
        parcels rows revoke failures trusted unknown _number take_piece
        trials trials_of longest
        said heard echo
        leaves boots boots_of effects_missed pulses refused_lines requests_waiting emerged recall_world readings
        count_a count_b count_first count_second successes successes_a successes_b trials trials_a trials_b hits
        sown sown_a sown_b sown_first sown_second emerged_first emerged_second draws of readings_placed
        readings_untrusted pairs independent leaf_number leaf_number_later as_far tried _usable df_curves
        df_looks seeds germinated generation depth unplaced placed trips doses alarms out_of_order seeds_sown
        columns decimals digits __len__ df across attempts
    """,
    "is a place in a buffer, or its length": "start end size write",
    "is a ratio of like to like, or an exponent": "theta_r theta_s n deficit",
    "has the unit of what it is held against": """
        calm_max convert _by_chamber
        value values low high jump_max level settled bound number_at at_least threshold _thresholds times target
        first second middle mean_first mean_second limits_low limits_high margin shift median span final
        final_se least_sd sensor_se systematic_se value_of detectable_difference detectable _nearest
        sigma slope slope_se intercept intercept_se residual_sd centre bias sd se difference marks mean moments _mean
        _sum _as_float number_in standard_uncertainty sensitivity share expanded bars
    """,
    "is a statistic without dimension, or a multiple of one": """
        p_alike count_p p_raised raised chi_square f logs follow _follow _share _spread time_ratio vigour_power
        fisher_p fisher_power _confidence ratio ratio_low ratio_high
        detectable_ratio warmth_ratio _warmth_ratio pearson deviance dispersion aic cost _interval_cost
        synchrony _se_of_shift
        p p_low p_high t statistic r_squared correlation multiplier weight width otsu_threshold _threshold
        probability coverage level student_quantile intercept_p _two_sided_p
        germination_cv germination_index germination_variance synchrony_z _share_explained
    """,
    "is a time in the unit of the days given": "t50_coolbear t50_farooq mean_germination_time",
    "is a length on paper in inches, as the plotting library counts": """
        margins_height_in width_in left_in heights_in room tall
    """,
    "is a place in a drawing, in its own units": "up",
    "is a square, for adding variances": "interval_ml2 drained_weighing_ml2 variance_day2",
    "names its unit first": """
        mm_per_pixel
        fastest_day_se rate_per_day_se degree_days_at hours_since_hydration degree_days_from_series
        ml_per_step_uncertainty _run_clock
    """,
    "counts steps or packs a number by its own definition": "tick _turn steps_for _make_table _value",
}
ALLOWED = {name for names in WITHOUT_UNIT.values() for name in names.split()}


def number_aliases() -> set[str]:
    """Names such as ``Fraction = Annotated[float, ...]`` that stand for a number in annotations."""
    found = {"float", "int"}
    for path in FILES:
        for node in ast.parse(path.read_text(encoding="utf-8")).body:
            if isinstance(node, ast.Assign) and isinstance(node.value, ast.Subscript) and is_number(node.value, found):
                found |= {target.id for target in node.targets if isinstance(target, ast.Name)}
    return found


def is_number(annotation: ast.expr | None, numbers: set[str]) -> bool:
    """Whether an annotation is a number, an optional one, one with bounds, or a list of such."""
    if isinstance(annotation, ast.Name):
        return annotation.id in numbers
    if isinstance(annotation, ast.BinOp):
        return is_number(annotation.left, numbers) or is_number(annotation.right, numbers)
    if isinstance(annotation, ast.Subscript) and isinstance(annotation.value, ast.Name):
        if annotation.value.id == "Annotated" and isinstance(annotation.slice, ast.Tuple):
            return is_number(annotation.slice.elts[0], numbers)
        if annotation.value.id in ("list", "Sequence", "Iterable", "Iterator"):
            return is_number(annotation.slice, numbers)
    return False


def number_names(tree: ast.AST, numbers: set[str]) -> Iterator[tuple[int, str]]:
    """(line, name) of every field, variable, parameter and function that is annotated as a number."""
    for node in ast.walk(tree):
        if isinstance(node, ast.AnnAssign) and is_number(node.annotation, numbers):
            yield node.lineno, node.target.attr if isinstance(node.target, ast.Attribute) else ast.unparse(node.target)
        elif isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            for one in (*node.args.posonlyargs, *node.args.args, *node.args.kwonlyargs):
                if is_number(one.annotation, numbers):
                    yield one.lineno, one.arg
            if is_number(node.returns, numbers):
                yield node.lineno, node.name


NUMBERS = number_aliases()


@pytest.mark.parametrize("path", FILES, ids=lambda path: str(path.relative_to(ROOT)))
def test_every_number_says_its_unit_or_stands_in_the_list_with_a_reason(path):
    tree = ast.parse(path.read_text(encoding="utf-8"))
    nameless = [
        f"{path.relative_to(ROOT)}:{line}: {name} does not end in a unit"
        for line, name in number_names(tree, NUMBERS)
        if not WITH_UNIT.fullmatch(name.lower().lstrip("_")) and name not in ALLOWED
    ]
    assert nameless == []


def test_the_list_of_names_without_a_unit_holds_no_name_that_is_gone():
    used = {name for path in FILES for _, name in number_names(ast.parse(path.read_text(encoding="utf-8")), NUMBERS)}
    assert sorted(ALLOWED - used) == []


@pytest.mark.parametrize(
    "source",
    [
        "class A:\n    volume: float",
        "class A:\n    volume: float | None = None",
        "class A:\n    volume: Annotated[float, Ge(0)] | None = None",
        "class A:\n    share: Fraction",
        "class A:\n    volumes: list[int]",
        "def f(volume: int) -> None: ...",
        "def f(*, volume: int = 3) -> None: ...",
        "def volume(a: str) -> float: ...",
        "class A:\n    def b(self):\n        self.volume: float = 3.0",
        "def f(volume_litre: float) -> None: ...",
        "def f(volume_ml_total: float) -> None: ...",
    ],
)
def test_a_number_without_a_unit_is_found_wherever_it_is_annotated(source):
    names = [name for _, name in number_names(ast.parse(source), NUMBERS)]
    assert names
    assert not [name for name in names if WITH_UNIT.fullmatch(name)]


@pytest.mark.parametrize(
    "name", ["volume_ml", "dose_max_ml", "steps", "ml_per_step_standard_uncertainty", "ppfd_umol_m2_s", "volume_ml_max"]
)
def test_a_number_with_a_unit_passes(name):
    assert WITH_UNIT.fullmatch(name)
