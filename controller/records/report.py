"""The page of a run: one file that needs nothing else, for a screen, a phone, a projector and paper."""

from datetime import datetime
from pathlib import Path
from typing import Any

from controller.control.photoperiod import utc_ms
from controller.errors import JournalError, WardianError
from controller.plan import Settings
from controller.records import story
from controller.records.account import entries_of
from controller.records.journal import Journal
from controller.records.lanes import Span, lanes_of, lit_spans
from controller.records.plots import NARROW, WIDE, Scene, Swatch, draw_all, legends_of
from controller.records.thinning import traces_of
from controller.records.timeline import Timeline
from controller.templates import templates_in

TEMPLATE = "run.html.jinja"


def write_report(journal: Journal, settings: Settings, summary: dict[str, Any], path: Path) -> None:
    """Write the page to ``path``. ``summary`` is what ``summarise`` answered for the same journal.

    WardianError when the libraries that draw are not installed, JournalError when the file cannot be written.
    """
    timeline = Timeline(journal)
    extent_ms = _extent_ms(summary)
    plots: dict[str, dict[str, str]] = {}
    legends: dict[str, list[Swatch]] = {}
    try:
        if extent_ms is not None:
            scene = _scene(journal, settings, summary, timeline, extent_ms)
            wide = traces_of(journal, settings, timeline, extent_ms, WIDE.columns)
            plots = draw_all(scene, {WIDE: wide, NARROW: wide.thinner(WIDE.columns // NARROW.columns)})
            legends = legends_of(scene)
        page = _rendered(
            settings=settings,
            summary=summary,
            paragraphs=story.paragraphs(summary, settings, journal, timeline),
            figures=story.key_figures(summary, settings),
            places=story.place_rows(summary, settings, journal, timeline),
            trips=story.trip_rows(summary, timeline),
            alarms=story.alarm_rows(summary, timeline),
            plots=plots,
            legends=legends,
        )
    except ImportError as error:
        raise WardianError(f"The page needs the extra libraries of wardian[report]: {error}.") from error
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(page, encoding="utf-8")
    except OSError as error:
        raise JournalError(f"{path}: the page cannot be written: {error}") from error


def _ms(text: str) -> int:
    return utc_ms(datetime.fromisoformat(text))


def _extent_ms(summary: dict[str, Any]) -> Span | None:
    if summary["recorded_from_utc"] is None:
        return None
    return _ms(summary["recorded_from_utc"]), _ms(summary["recorded_to_utc"])


def _scene(journal: Journal, settings: Settings, summary: dict[str, Any], timeline: Timeline, extent_ms: Span) -> Scene:
    gaps_ms = [(_ms(gap["from_utc"]), _ms(gap["to_utc"])) for gap in summary["gaps"]]
    entries = list(entries_of(journal, settings))
    doses = [(timeline.place(entry.at).utc_ms, entry) for entry in entries if entry.closed is not None]
    settled = [(timeline.place(e.counts_at).utc_ms, e) for e in entries if e.closed or e.drained]
    return Scene(
        settings=settings,
        zero_ms=extent_ms[0] if timeline.hydrated is None else timeline.hydrated.utc_ms,
        extent_ms=extent_ms,
        lit_ms=lit_spans(journal, timeline, gaps_ms, extent_ms[1]),
        doses=doses,
        account=settled,
        lanes=lanes_of(journal, timeline, gaps_ms, extent_ms[1]),
    )


def _rendered(**words: Any) -> str:
    page: str = templates_in(Path(__file__).parent).get_template(TEMPLATE).render(**words)
    return page
