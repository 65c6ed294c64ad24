"""Pages of the reports room: the answer first, safe against hostile text, whole even when little is known."""

from __future__ import annotations

import hashlib
import json
import re
from base64 import b64encode
from collections.abc import Callable
from dataclasses import replace
from html.parser import HTMLParser
from itertools import pairwise
from typing import Any

import pandas as pd
import pytest
import reports_sample as sample
from jsonschema import ValidationError
from markupsafe import escape

from trendkit.errors import InputError
from trendkit.plant.model import Limit, Plant
from trendkit.press.results import Compared, Figure, FigureTable, PeriodReview
from trendkit.reports import drawing
from trendkit.reports.cautions import AT_THE_PRESS
from trendkit.reports.close_look import script, script_hash
from trendkit.reports.page import Page, css_text, render_page
from trendkit.reports.plant_clock import clock_of
from trendkit.reports.quality_page import quality_page
from trendkit.reports.review_lines import figure_sheet
from trendkit.reports.review_page import review_page
from trendkit.reports.shown import Shown
from trendkit.reports.troubleshoot_page import troubleshoot_page
from trendkit.reports.tune_page import tune_page
from trendkit.reports.upset_sheet import upset_sheet
from trendkit.tuning.results import Recommended, Tuning
from trendkit.upsets.results import Cause

MOST_BYTES = 3_000_000


def _review(plant: Plant) -> Page:
    return review_page(sample.context(plant), sample.review(), sample.table(), sample.upsets())


def _day(plant: Plant) -> Page:
    return troubleshoot_page(sample.day_context(plant), sample.account(), sample.table(), sample.upsets()[1:2])


def _tuning(plant: Plant) -> Page:
    return tune_page(sample.context(plant), sample.tuning(), sample.table())


def _quality(plant: Plant) -> Page:
    return quality_page(sample.context(plant), sample.quality_account(plant), sample.table().frame, 60)


PAGES: dict[str, Callable[[Plant], Page]] = {
    "review": _review,
    "troubleshoot": _day,
    "tune": _tuning,
    "quality": _quality,
}


@pytest.fixture(scope="module")
def html() -> dict[tuple[str, str], str]:
    """Every page in both systems of units, made once."""
    return {
        (name, units): render_page(make(sample.plant(units))).decode()
        for name, make in PAGES.items()
        for units in ("us", "si")
    }


class _Outline(HTMLParser):
    """Tags with their attributes, and the text a reader sees, in order."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.texts: list[str] = []
        self._hidden = 0
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        self._hidden += tag in ("style", "title", "svg", "script")

    def handle_endtag(self, tag: str) -> None:
        self._hidden -= tag in ("style", "title", "svg", "script")

    def handle_data(self, data: str) -> None:
        if not self._hidden and data.strip():
            self.texts.append(data.strip())

    @property
    def words(self) -> str:
        return " ".join(self.texts).replace("\u00a0", " ")


# --- what comes first ---------------------------------------------------------------------------------------


def test_the_review_answers_in_one_sentence_with_limits(html: dict[tuple[str, str], str]) -> None:
    page = _review(sample.plant("us"))
    assert page.answer.replace("\u00a0", " ") == (
        "In March 2026, BFP-1 kept 95.9 % (95.2 to 96.5) of the solids fed to it, made cake of 20.1 % solids "
        "(19.8 to 20.5) and used 18.8 lb/ton (18.2 to 19.4) of polymer."
    )
    marks = [mark for mark, _ in page.marked]
    assert marks == ["misses", "undecided", "meets", ""]
    words = _Outline(html["review", "us"]).words
    assert words.index("kept 95.9 %") < words.index("The figures that matter") < words.index("Upsets of the period")


def test_one_page_in_us_and_one_in_si_say_the_same(html: dict[tuple[str, str], str]) -> None:
    us, si = _Outline(html["review", "us"]).words, _Outline(html["review", "si"]).words
    assert "18.8 lb/ton" in us and "lb/ton" not in si and "9.4 kg/t" in si and "kg/t" not in us
    assert "750 lb/h/m" in us and "338 kg/h/m" in si
    assert "per dry ton" in us and "per dry t " in si
    assert "at most 18 lb/ton" in us and "at most 9 kg/t" in si
    sentences = [re.sub(r"[\d.,\u202f]+", "#", text).count("#") for text in (us, si)]
    assert abs(sentences[0] - sentences[1]) <= 5  # the same numbers stand on both, in other units


@pytest.mark.parametrize(
    ("verdict", "mark", "opening"),
    [
        (
            "bad",
            "misses",
            "18 Mar 2026 was a bad cake day on BFP-1: cake solids 18.4 % against a usual 20.3 %",
        ),
        ("not_bad", "meets", "18 Mar 2026 was not a bad cake day on BFP-1"),
        ("cannot_tell", "undecided", "These readings cannot tell whether 18 Mar 2026 was a bad cake day"),
    ],
)
def test_the_day_page_opens_with_its_verdict(verdict: str, mark: str, opening: str) -> None:
    account = replace(sample.account(), verdict=verdict)  # type: ignore[arg-type]
    page = troubleshoot_page(sample.day_context(), account, sample.table(), ())
    assert page.mark == mark and page.answer.replace("\u00a0", " ").startswith(opening)
    assert ("likeliest cause: polymer lost" in page.answer) == (verdict == "bad")


def test_shares_of_the_loss_are_told_as_what_the_figures_show_not_as_proof() -> None:
    one, none = (
        _Outline(render_page(troubleshoot_page(sample.day_context(), account, sample.table(), ())).decode()).words
        for account in (
            sample.account(),
            replace(sample.account(), contributions=sample.account().contributions[1:]),
        )
    )
    assert "Clear of zero at 95 %: " in one and "Beyond doubt" not in one
    assert "No single share is clear of zero at 95 %." in none


def test_a_bad_day_without_a_rankable_cause_says_so() -> None:
    account = replace(sample.account(), causes=(Cause("unknown", 1.0, "", ""),))
    page = troubleshoot_page(sample.day_context(), account, sample.table(), ())
    assert page.answer.endswith("its cause does not show in these tags.")


DECISIONS: dict[str, tuple[Tuning, str, str]] = {
    "window": (sample.tuning(), "meets", "Run the gravity belt of BFP-1 at 20.0 ft/min (18.7 to 21.3)"),
    "flat": (
        replace(sample.tuning(), decision="flat", recommended=Recommended(6.1, 5.0, 7.2, 1.97, 5.6, 6.6)),
        "meets",
        "Any gravity belt speed from 16 to 24 ft/min does as well on BFP-1",
    ),
    "step_outwards": (
        replace(sample.tuning(), decision="step_outwards", reason="step faster by 0.30 m/min at a time"),
        "undecided",
        "The best gravity belt speed of BFP-1 lies at or beyond the edge of what was run: step faster by 0.98 ft/min",
    ),
    "disagree": (
        replace(sample.tuning(), decision="disagree", recommended=None, gain=None),
        "undecided",
        "Two ways of reading the records of BFP-1 disagree",
    ),
    "insufficient": (
        sample.tuning_insufficient(),
        "undecided",
        "These readings cannot tell where the gravity belt of BFP-1 should run: the gravity belt speed moved",
    ),
}


@pytest.mark.parametrize("decision", DECISIONS)
def test_the_tuning_page_opens_with_its_decision(decision: str) -> None:
    tuning, mark, opening = DECISIONS[decision]
    page = tune_page(sample.context(), tuning, sample.table())
    assert page.mark == mark and page.answer.replace("\u00a0", " ").startswith(opening)
    words = _Outline(render_page(page).decode()).words
    assert "Sheet to fill in" in words and "For the log" in words
    if decision in ("disagree", "insufficient"):
        assert "Leave it as it is" in words and "run the gravity belt at about" not in words


def test_a_gain_whose_limits_hold_zero_is_not_sold_as_one() -> None:
    gain = sample.tuning().gain
    assert gain is not None
    page = tune_page(sample.context(), replace(sample.tuning(), gain=replace(gain, low=-300.0)), sample.table())
    assert any("may be worth nothing" in text for _, text in page.marked)


def test_the_quality_page_names_what_costs_most_first_and_every_refused_line() -> None:
    page = _quality(sample.plant("us"))
    assert page.answer.replace("\u00a0", " ") == (
        "In March 2026, 11 of the 13 tags of BFP-1 have good readings throughout; 1 shows a fault, at the cost of "
        "readings while the press moved."
    )
    marked = [text.replace("\u00a0", " ") for _, text in page.marked]
    assert marked[0].endswith("stuck reading for 31.0 h, 8.5 h of a moving press lost.")
    assert "good readings 98.5 % of the time, 2 gaps of up to 5.0 h." in marked[1]
    assert marked[2] == "2 rows of 1 file could not be used; listed below with line and reason."
    words = _Outline(render_page(page).decode()).words
    assert "press_march.csv 812 the time cannot be read ('soon')" in words
    assert "No Data 12" in words
    assert "compare the meter with a grab or a gauge" in words


def test_a_clean_month_is_called_clean() -> None:
    account = sample.quality_account()
    clean = [replace(tag, share_good=1.0, faults=(), gaps=0) for tag in account.tags]
    context = replace(sample.context(), findings=(), inputs=sample.inputs()[1:])
    page = quality_page(context, replace(account, tags=tuple(clean), findings=()), sample.table().frame, 60)
    assert page.mark == "meets" and page.answer.endswith("have good readings throughout, and none shows a fault.")
    assert page.marked == (("meets", "No row of any file was refused."),)
    assert "What to have looked at" not in _Outline(render_page(page).decode()).words


# --- little is known ----------------------------------------------------------------------------------------


def _bare_review() -> PeriodReview:
    unknown = Figure(None, "%", reason="no feed solids meter and no grab sample")
    return PeriodReview(
        figures={
            "capture_pct": unknown,
            "cake_solids_pct": unknown,
            "press_hours": Figure(12.0, "h"),
        },
        by_mode={},
        by_day=pd.DataFrame(),
        by_shift=pd.DataFrame(),
        runs=pd.DataFrame(),
        missing_prices=("polymer",),
    )


def _empty_table() -> FigureTable:
    whole = sample.table()
    frame = whole.frame.copy()
    for column in frame.columns:
        frame[column] = None if frame[column].dtype == object else float("nan")
    frame["phase"] = "stopped"
    frame["feed_time"] = pd.NaT
    return replace(whole, frame=frame, unavailable={"capture_pct": "no meter"})


def test_a_review_of_a_bare_press_says_what_is_not_known_and_why() -> None:
    context = replace(sample.context(), findings=(), excluded=(), lab=None, notes=(), inputs=())
    page = review_page(context, _bare_review(), _empty_table(), ())
    words = _Outline(render_page(page).decode()).words
    assert "BFP-1 pressed for 12.0 h" in page.answer.replace("\u00a0", " ")
    assert "Capture is not known: no feed solids meter and no grab sample." in words
    assert "No upsets were found." in words and "nan" not in words.lower().split()


def test_a_period_without_pressing_is_an_answer() -> None:
    review = replace(_bare_review(), figures={"press_hours": Figure(0.0, "h")})
    page = review_page(replace(sample.context(), lab=None), review, _empty_table(), ())
    assert page.answer == "In March 2026, BFP-1 did not dewater."
    render_page(page)


def test_a_day_about_which_nothing_is_known_still_makes_a_page() -> None:
    account = replace(
        sample.account(),
        verdict="cannot_tell",
        cake_solids_pct=None,
        usual_cake_solids_pct=None,
        capture_pct=None,
        usual_capture_pct=None,
        compared_with=(),
        changes=(),
        timeline=(),
        contributions=(),
        causes=(),
        checks=(),
    )
    text = render_page(troubleshoot_page(sample.day_context(), account, _empty_table(), ())).decode()
    assert "cannot tell whether" in text and "Before anyone touches the press" in text


def test_a_capture_over_a_hundred_is_shown_and_explained() -> None:
    review = replace(sample.review(), capture_by_method={"cake_weighed": Figure(103.2, "%", 99.0, 107.0)})
    page = review_page(sample.context(), review, sample.table(), ())
    words = _Outline(render_page(page).decode()).words
    assert "103 %" in words and "one of its inputs must be off" in words


# --- safe and self-contained --------------------------------------------------------------------------------


@pytest.mark.parametrize("name", PAGES)
def test_hostile_tags_and_notes_appear_as_text(name: str, html: dict[tuple[str, str], str]) -> None:
    text = html[name, "us"]
    outline = _Outline(text)
    assert str(escape(sample.HOSTILE_TAG)) in text and sample.HOSTILE_TAG not in text
    assert sample.HOSTILE_NOTE not in text and "<b>bold</b>" in outline.words
    assert {tag for tag, _ in outline.tags}.isdisjoint({"img", "iframe", "object", "form", "base", "b"})
    assert not any(key.startswith("on") for _, attributes in outline.tags for key in attributes)


@pytest.mark.parametrize("name", PAGES)
def test_a_page_asks_for_nothing_outside_itself(name: str, html: dict[tuple[str, str], str]) -> None:
    text = html[name, "us"]
    outline = _Outline(text)
    policies = [a["content"] for tag, a in outline.tags if a.get("http-equiv") == "Content-Security-Policy"]
    assert len(policies) == 1 and str(policies[0]).startswith("default-src 'none'; script-src 'sha256-")
    assert f"script-src '{script_hash()}'; " in str(policies[0]) and "unsafe-eval" not in str(policies[0])
    links = [a["href"] for tag, a in outline.tags if "href" in a]
    assert all(str(link).startswith(("#", "data:")) for link in links)
    addresses = set(re.findall(r"https?://[^\s\"'<>)]+", text))
    assert addresses <= {"http://www.w3.org/2000/svg"}
    assert "url(" not in text.replace("url(#", "") and "@import" not in text


@pytest.mark.parametrize("name", PAGES)
def test_one_script_runs_and_it_is_ours_word_for_word(name: str, html: dict[tuple[str, str], str]) -> None:
    text = html[name, "us"]
    scripts = [attributes for tag, attributes in _Outline(text).tags if tag == "script"]
    assert [each for each in scripts if each.get("type") != "application/json"] == [{}]
    (ours,) = re.findall(r"<script>(.*?)</script>", text, re.S)
    assert ours == script()
    assert f"sha256-{b64encode(hashlib.sha256(ours.encode()).digest()).decode()}" == script_hash()
    for forbidden in ("eval(", "Function(", "innerHTML", "fetch(", "XMLHttpRequest", "import(", "http"):
        assert forbidden not in ours


@pytest.mark.parametrize("name", ["review", "troubleshoot", "quality"])
def test_the_numbers_behind_a_drawing_are_those_it_was_drawn_from(name: str, html: dict[tuple[str, str], str]) -> None:
    text = html[name, "us"]
    figures = re.findall(r"<figure .*?</figure>", text, re.S)
    live = [figure for figure in figures if 'class="numbers"' in figure]
    assert live
    for figure in live:
        (block,) = re.findall(r'<script type="application/json" class="numbers">(.*?)</script>', figure, re.S)
        assert not set("<>&") & set(block)
        told = json.loads(block)
        assert len(told["plots"]) == len(re.findall("data-plot=", figure))
        for plot in told["plots"]:
            points = sum(len(flat) // 2 for flat in plot.get("lines", []))
            assert points <= 2_000 and (points > 10 or plot["rows"])
            assert all(
                0 <= second <= told["to"] - told["from"] for flat in plot.get("lines", []) for second in flat[::2]
            )


@pytest.mark.parametrize("name", PAGES)
def test_a_page_stays_small(name: str, html: dict[tuple[str, str], str]) -> None:
    assert len(html[name, "us"].encode()) < MOST_BYTES / 3


def test_a_press_name_cannot_leave_the_print_footer() -> None:
    name = '"; } </style><script>alert(1)</script> \\'
    assert not set('"<>;{}') & set(str(css_text(name))[1:-1])
    plant = sample.plant()
    hostile = replace(plant, presses=(replace(plant.presses[0], name=name),))
    text = render_page(_tuning(hostile)).decode()
    assert "<script>alert" not in text and text.count("</style>") == 1


# --- for everybody ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", PAGES)
def test_a_page_can_be_read_without_seeing_it(name: str, html: dict[tuple[str, str], str]) -> None:
    outline = _Outline(html[name, "us"])
    ids = [attributes["id"] for _, attributes in outline.tags if "id" in attributes]
    assert len(ids) == len(set(ids))
    for tag, attributes in outline.tags:
        target = str(attributes.get("href") or "")
        if tag == "a" and target.startswith("#"):
            assert target[1:] in ids
        if tag == "th":
            assert attributes.get("scope") in ("row", "col")
        if attributes.get("role") in ("img", "region"):
            assert len(str(attributes.get("aria-label"))) >= 6
        if tag == "svg":
            assert attributes.get("aria-hidden") == "true"
    levels = [int(tag[1]) for tag, _ in outline.tags if re.fullmatch("h[1-6]", tag)]
    assert levels[0] == 1 and levels.count(1) == 1
    assert all(later - earlier <= 1 for earlier, later in pairwise(levels))
    assert ("html", {"lang": "en"}) in outline.tags


@pytest.mark.parametrize("name", PAGES)
def test_every_drawing_says_what_it_shows_and_most_carry_their_numbers(
    name: str, html: dict[tuple[str, str], str]
) -> None:
    outline = _Outline(html[name, "us"])
    figures = sum(tag == "figure" for tag, _ in outline.tags)
    assert figures == sum(a.get("class") == "finding" for tag, a in outline.tags if tag == "p") >= 1
    assert sum(tag == "details" for tag, _ in outline.tags) >= figures - 1


@pytest.mark.parametrize("name", PAGES)
def test_nothing_that_needs_attention_is_told_by_colour_alone(name: str, html: dict[tuple[str, str], str]) -> None:
    text = html[name, "us"]
    marks = re.findall(r'<span class="mark misses" aria-hidden="true">(.)</span>', text)
    assert marks and set(marks) == {"▲"}


@pytest.mark.parametrize("name", PAGES)
def test_every_page_carries_the_cautions_and_what_it_rests_on(name: str, html: dict[tuple[str, str], str]) -> None:
    words = _Outline(html[name, "us"]).words
    for caution in AT_THE_PRESS:
        assert caution in words
    assert "3f" * 32 in words and "ab" * 32 in words
    assert "trendkit 0.1.0" in words and "America/Denver" in words and "99.1 %" in words
    assert "Licensed operator, date" in words


def test_a_page_made_at_a_stated_time_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    assert "made " not in _Outline(render_page(_tuning(sample.plant())).decode()).words.split("SHA-256")[-1]
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1775001600")
    text = render_page(_tuning(sample.plant())).decode()
    assert "made 2026-04-01 00:00 UTC" in text


def test_a_time_of_making_that_is_none_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    for told in ("yesterday", "-1", "9" * 30):
        monkeypatch.setenv("SOURCE_DATE_EPOCH", told)
        with pytest.raises(InputError, match="SOURCE_DATE_EPOCH"):
            render_page(_tuning(sample.plant()))


@pytest.mark.parametrize(
    ("lost", "low", "high", "told"),
    [
        (12.0, 4.0, 20.0, "12 (4\u00a0to\u00a020)"),
        (-5.0, -14.0, 4.0, "none (up to 4.00)"),
        (-23.0, -35.0, -11.0, "none"),
        (-5.0, None, None, "none"),
        (None, None, None, "\u2013"),
    ],
)
def test_more_solids_kept_than_usual_is_told_as_none_lost(lost, low, high, told):
    upset = replace(
        sample.upsets()[0], lost_dry_solids_kg=lost, lost_dry_solids_kg_low=low, lost_dry_solids_kg_high=high
    )
    sheet = upset_sheet([upset], clock_of(sample.period(sample.plant())), Shown("si", "USD"))
    place = [head.name for head in sheet.heads].index("Solids lost beyond usual")
    assert sheet.rows[0][place] == told


def test_every_drawing_is_valid_in_the_drawing_language(monkeypatch: pytest.MonkeyPatch) -> None:
    """Published: the JSON schema of Vega-Lite that comes with Altair, which our charts are not checked against as made."""
    from altair import TopLevelSpec

    specs: list[dict[str, Any]] = []
    draw = drawing._drawn
    monkeypatch.setattr(drawing, "_drawn", lambda spec: (specs.append(spec), draw(spec))[1])
    for make in (_review, _day, _tuning, _quality):
        make(sample.plant())
    assert len(specs) > 15
    for spec in specs:
        TopLevelSpec.validate(spec)
    specs[0]["layer"][0]["mark"] = "no such mark"
    with pytest.raises(ValidationError):
        TopLevelSpec.validate(specs[0])


def test_a_target_of_thickening_stands_with_its_figure_and_its_capture_is_not_of_cake() -> None:
    figures = {
        "thickened_solids_pct": Figure(5.5, "%", 5.0, 5.9, 100, "", None, Limit(low=4.0), True),
        "capture_pct": Figure(97.6, "%", 97.2, 98.1, 100, ""),
    }
    sheet = figure_sheet("Thickening", figures, tuple(figures), Shown("si"), is_thickening=True)
    assert [str(row[-1]) for row in sheet.rows] == [
        "dry share of the thickened sludge by mass; target at least 4\u00a0%: met",
        "share of the dry solids fed that left with the thickened sludge",
    ]


def test_what_was_paid_for_without_a_feed_flow_is_explained_beside_the_cost() -> None:
    """Whole period over tonnes is then not the cost per tonne; a remark on tickets keeps the names' capitals."""
    said = "The feed flow is not known in 22.7 of the 282 hours in which the belts moved."
    apart = Compared(
        "wet_cake_t", "t", 740.0, 710.0, 770.0, 814.0, 69, -9.1, False, f"{said} Else BFP-1's bin is not empty"
    )
    review = replace(sample.review(), feed_unknown=said, compared=(apart,))
    page = review_page(sample.context(), review, sample.table(), sample.upsets())
    words = _Outline(render_page(page).decode()).words
    assert "stands in the whole period and not in the cost per dry ton" in words
    assert f"{said} Else BFP-1's bin is not empty" in words
    plain = _Outline(
        render_page(review_page(sample.context(), sample.review(), sample.table(), sample.upsets())).decode()
    ).words
    assert "stands in the whole period" not in plain


def test_a_section_with_a_sheet_of_many_columns_takes_the_whole_width(html: dict[tuple[str, str], str]) -> None:
    """Nine columns and more were cut off beside the side-head on a screen of 1280 px."""
    page = html["review", "si"]
    assert '<section id="upsets" class="broad"' in page and '<section id="amounts" aria' in page


def test_tags_good_throughout_that_show_faults_all_the_same_are_told_apart() -> None:
    """25 of 30 good and 10 with faults made 35: a fault may be short."""
    account = sample.quality_account()
    faulty = next(tag for tag in account.tags if tag.faults)
    others = [tag for tag in account.tags if not tag.faults]
    tags = (faulty, replace(others[0], faults=faulty.faults, share_good=0.995), *others[1:])
    page = quality_page(sample.context(), replace(account, tags=tags), sample.table().frame, 60)
    assert (
        "good readings throughout (at least 99\u00a0% of the time); 2 show faults, 1 of them a short one, 2 at"
        in page.answer
    )
