"""The first page: one sentence, the live values, what is due, what the chamber does not do and why."""

from dataclasses import dataclass, replace

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, RedirectResponse, Response
from starlette.routing import Route

from controller.control import model as m
from controller.records.account import span_ml
from controller.science.air import vapour_pressure_deficit_kpa
from controller.web.codes import OPERATOR, TECHNICIAN, may
from controller.web.forms import initials_of, word_of
from controller.web.site import Site
from controller.web.texts import Texts
from controller.web.watching import Look

UNRECOGNISED = 401
CHECKS = ("eyes", "dry", "mended", "hands")
BEFORE_GROWING = (m.PREPARING, m.WETTING, m.SOAKING, m.DRAINING, m.OPENING)  # the band of the medium is not held yet


@dataclass(frozen=True)
class Value:
    """One live value: where it lies against its band is said in words and drawn by a mark on a scale, in percent."""

    name: str
    value: str
    unit: str
    band: str
    standing: str  # in_band, above, below, enough, not_yet, no_band, suspect, missing
    mark_pct: float | None = None
    band_from_pct: float = 0.0
    band_to_pct: float = 0.0


def value_of(
    texts: Texts, name: str, value: float | None, unit: str, decimals: int, quality: str, band: tuple[float, float]
) -> Value:
    """A measured value beside its band; a value that is not good is never judged against it."""
    low, high = band
    margin = (high - low) or 1.0
    scale_from, scale_to = low - margin, high + margin
    words = f"{texts.number(low, decimals)}\u2013{texts.number(high, decimals)}\u00a0{unit}"
    if value is None or quality == m.MISSING:
        return Value(name, "\u2014", unit, words, m.MISSING)
    standing = "in_band" if low <= value <= high else ("above" if value > high else "below")
    if quality != m.GOOD:
        standing = quality
    mark_pct = min(100.0, max(0.0, (value - scale_from) / (scale_to - scale_from) * 100.0))
    return Value(name, texts.number(value, decimals), unit, words, standing, round(mark_pct, 1), 33.3, 66.7)


def values_of(site: Site, look: Look, texts: Texts) -> list[Value]:
    """The live values of the newest reading."""
    reading, plan = look.status.reading, site.run.settings.plan
    if reading is None:
        return []
    chamber = site.run.settings.chamber_of(reading.at.boot_id)
    climate = plan.climate
    air_c, humidity_pct = reading.air_temperature_c, reading.relative_humidity_pct
    found = [
        value_of(
            texts, texts("value.air"), air_c, "\u00b0C", 1, reading.air_quality,
            (climate.air_temperature_low_c, climate.air_temperature_high_c),
        ),
        value_of(
            texts, texts("value.humidity"), humidity_pct, "%", 0, reading.humidity_quality,
            (climate.relative_humidity_low_pct, climate.relative_humidity_high_pct),
        ),
    ]  # fmt: skip
    law = plan.watering.moisture
    content_pct = None
    if reading.moisture_counts is not None:
        content_pct = 100.0 * chamber.moisture_probe.water_content_fraction(reading.moisture_counts)
    if law is not None:
        band = (100.0 * law.low_fraction, 100.0 * law.high_fraction)
        water = value_of(texts, texts("value.water"), content_pct, "% v/v", 1, reading.moisture_quality, band)
        if water.standing == "above":  # nothing is amiss: the plants have what they need
            water = replace(water, standing="enough")
        elif water.standing == "below" and look.status.phase in BEFORE_GROWING:
            water = replace(water, standing="not_yet")
        found.append(water)
    elif content_pct is not None:
        found.append(Value(texts("value.water"), texts.number(content_pct), "% v/v", "", reading.moisture_quality))
    ppfd = reading.lamp_duty_fraction * chamber.lamp.ppfd_at_full_duty_umol_m2_s
    lit = "lit" if reading.lamp_duty_fraction > 0 else "dark"
    found.append(Value(texts("value.lamp"), texts.number(ppfd, 0), "\u00b5mol m\u207b\u00b2 s\u207b\u00b9", "", lit))
    if air_c is not None and humidity_pct is not None and reading.air_quality == reading.humidity_quality == m.GOOD:
        deficit = vapour_pressure_deficit_kpa(air_c, min(100.0, humidity_pct))
        found.append(Value(texts("value.deficit"), texts.number(float(deficit), 2), "kPa", "", "no_band"))
    return found


def sentence_of(site: Site, look: Look, texts: Texts) -> str:
    """One or a few plain sentences that say whether all is well."""
    status = look.status
    if status.phase == m.ENDED:
        return texts("sentence.ended")
    if status.reading is None:
        return texts("sentence.nothing_yet")
    parts = []
    if status.controller_silent:
        parts.append(texts("sentence.silent", when=site.local(status.reading.at.utc_ms)))
    else:
        parts.append(_lamp_words(site, look, texts))
    parts.append(_water_words(look, texts))
    needs = len(status.trips) + len(status.alarms_of_people) + len(status.steps_due)
    if status.trips:
        parts.append(texts("sentence.tripped"))
    elif needs:
        parts.append(texts("sentence.one_need") if needs == 1 else texts("sentence.needs", n=needs))
    elif not status.controller_silent:
        parts.append(texts("sentence.nothing"))
    return " ".join(parts)


def _lamp_words(site: Site, look: Look, texts: Texts) -> str:
    assert look.status.reading is not None
    lit = look.status.reading.lamp_duty_fraction > 0
    if look.lamp_turns_utc_ms is None:
        return texts("sentence.lamp_on") if lit else texts("sentence.lamp_off")
    until = site.local(look.lamp_turns_utc_ms, "%H:%M")
    return texts("sentence.lamp_on_until" if lit else "sentence.lamp_off_until", when=until)


def _water_words(look: Look, texts: Texts) -> str:
    dose, age_s = look.status.last_dose, look.status.last_dose_age_s
    if look.status.dose_open:
        return texts("sentence.watering")
    if dose is None or age_s is None:
        return texts("sentence.unwatered")
    words = texts("sentence.watered", ago=texts.ago(age_s), volume=texts.number(dose.volume_ml))
    first = look.status.last_dose_first
    if first is None:
        return words
    low_ml, high_ml = span_ml(first)
    if low_ml == high_ml:
        return f"{words} {texts('sentence.corrected', first=texts.number(high_ml))}"
    span = texts("sentence.corrected_span", low=texts.number(low_ml), high=texts.number(high_ml))
    return f"{words} {span}"


def refusal_words(look: Look, texts: Texts) -> str:
    """Why there is no water now, or that there may be."""
    reason = look.status.watering_reason
    if reason.startswith("tripped:"):
        return texts("watering_tripped.words", words=texts.law("trip", reason.removeprefix("tripped:"), reason))
    answer = texts.said_plainly(look.status.water_answer)
    if reason.startswith("refused:"):
        return texts.law("refusal", reason.removeprefix("refused:"), answer)
    return texts.law("watering", reason, answer)


def sending_words(site: Site, look: Look, texts: Texts) -> list[str]:
    """A line for each place that closed days are sent to: what waits, and when a failed try comes again."""
    found = []
    for place in look.status.sending:
        count = len(place.days_waiting)
        if not place.can_be_read:
            found.append(texts("sending.unreadable"))
            continue
        which = "all_there" if count == 0 else "one_waits" if count == 1 else "waiting"
        words = texts(f"sending.{which}", n=count, place=place.short_address)
        if place.failures:
            again = site.local(place.not_before_utc_ms)
            words += " " + texts(
                "sending.failed_once" if place.failures == 1 else "sending.failed", n=place.failures, when=again
            )
        found.append(words)
    return found


class LivePart:
    """The part of the first page that renews itself, written once for everybody who looks in the same language."""

    def __init__(self, site: Site) -> None:
        self._site = site
        self._written: dict[str, tuple[Look, str]] = {}

    def __call__(self, texts: Texts) -> str:
        look = self._site.run.look()
        written = self._written.get(texts.language)
        if written is None or written[0] is not look:
            written = look, write_live_part(self._site, look, texts)
            self._written[texts.language] = written
        return written[1]


def write_live_part(site: Site, look: Look, texts: Texts) -> str:
    """Sentence, values, what is due, and why there is no water."""
    return site.render(
        "now_live.jinja",
        texts,
        look=look,
        sentence=sentence_of(site, look, texts),
        values=values_of(site, look, texts),
        alarms=[(name, texts.alarm(name, words)) for name, words in look.status.alarms_of_people],
        refusal=refusal_words(look, texts),
        sending=sending_words(site, look, texts),
    )


def routes(site: Site) -> list[Route]:
    """The first page, its live part, and the clearing of a trip."""

    live_part = LivePart(site)

    def clearing_role(request: Request) -> str:
        """Whose code clears a trip: of who is signed in and may, else the operator's."""
        session = site.session(request)
        return session.role if session is not None and may(session.role, OPERATOR) else OPERATOR

    def now(request: Request) -> Response:
        if (closed := site.closed(request)) is not None:
            return closed
        texts = site.texts(request)
        look = site.run.look()
        alarms = [(name, texts.alarm(name, words)) for name, words in look.status.alarms]
        trips = [
            {
                "reason": reason,
                "words": texts.law("trip", reason, words),
                "look": texts.section("look").get(reason, texts("look.other")),
                "since": site.local(look.trips_since_ms.get(reason, site.run.clock_ms())),
            }
            for reason, words in look.status.trips
        ]
        return site.page(
            request,
            "now.jinja",
            live=live_part(texts),
            trips=trips,
            checks=CHECKS,
            alarms=alarms,
            clearing_role=clearing_role(request),
        )

    def part(request: Request) -> Response:
        if site.closed(request) is not None:
            return HTMLResponse("", UNRECOGNISED)
        return HTMLResponse(live_part(site.texts(request)))

    def alive(request: Request) -> Response:
        status = site.run.look().status
        return JSONResponse({"controller_silent": status.controller_silent, "phase": status.phase})

    async def clear(request: Request) -> Response:
        form = await request.form(max_files=0, max_fields=20)
        texts = site.texts(request)
        initials = initials_of(form)
        reason = word_of(form, "trip", 60)
        missing = [check for check in CHECKS if not form.get(f"check_{check}")]
        if missing:
            return site.message(request, texts("clear.tick_all"), 400)
        refused = await code_refusal(site, request, clearing_role(request), word_of(form, "code", 300))
        if refused is not None:
            return refused
        note = texts("clear.note") + (" " + word_of(form, "note", 500)).rstrip()
        answer = await site.ask(request=m.CLEAR_TRIP, subject=reason, asked_by=initials, note=note)
        return site.answered(request, answer, "/", "clear")

    async def seen(request: Request) -> Response:
        form = await request.form(max_files=0, max_fields=10)
        if (refused := site.refusal(request, form, OPERATOR)) is not None:
            return refused
        session = site.session(request)
        assert session is not None
        alarm = word_of(form, "alarm", 80)
        answer = await site.ask(request=m.SEE_ALARM, subject=alarm, asked_by=session.initials)
        return site.answered(request, answer, "/", "seen")

    async def try_alert(request: Request) -> Response:
        form = await request.form(max_files=0, max_fields=10)
        if (refused := site.refusal(request, form, TECHNICIAN)) is not None:
            return refused
        session = site.session(request)
        assert session is not None
        answer = await site.ask(request=m.TRY_ALERT, asked_by=session.initials)
        return site.answered(request, answer, "/", "try_alert")

    async def home(request: Request) -> Response:
        return RedirectResponse(f"{site.root}/", 301)

    return [
        Route("/", now),
        Route("/now", home),
        Route("/now/part", part),
        Route("/now/alive", alive),
        Route("/clear", clear, methods=["POST"]),
        Route("/seen", seen, methods=["POST"]),
        Route("/try-alert", try_alert, methods=["POST"]),
    ]


async def code_refusal(site: Site, request: Request, role: str, code: str) -> Response | None:
    """Why a code is not taken, or None when it is right."""
    texts = site.texts(request)
    address = request.client.host if request.client else ""
    wait_s = site.gatekeeper.wait_s(address, role)
    if wait_s > 0.0:
        return site.message(request, texts("sign_in.wait", n=round(wait_s + 0.5)), 429)
    if await run_in_threadpool(site.gatekeeper.admits, address, role, code):
        return None
    return site.message(request, texts("sign_in.wrong", role=texts(f"role.{role}")), 403)
