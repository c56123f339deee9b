"""What every page holds, and what the pages say."""

import json
import re
from collections.abc import Iterator
from html.parser import HTMLParser
from pathlib import Path
from types import ModuleType
from urllib.parse import urlsplit

import duckdb
import pytest

import dashboards
from dashboards import cautions, figures, publish
from dashboards import words as said
from dashboards.hidden_counts import Mark
from dashboards.kinds import GROUP_MENU
from ingest.contract import HARMS, KINDS, MEANINGS, Reason
from pipeline.workspace import Release

CODE = Path(dashboards.__file__).parent
VOID = {"meta", "link", "br", "img", "input", "hr"}


class Reader(HTMLParser):
    """A page's elements, ids, links, charts and plain text; complains of unclosed elements."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.text = ""
        self.figures: list[str] = []
        self.feed(text)
        assert not self.open, f"unclosed {self.open}"

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)
        if tag == "script" and dict(attrs).get("type") == "application/json":
            self.figures.append("")

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if self.open and self.open[-1] == "script":
            self.figures[-1] += data
        else:
            self.text += data

    def attributes(self, name: str) -> Iterator[str]:
        for _, attributes in self.elements:
            value = attributes.get(name)
            if value is not None:
                yield value

    @property
    def words(self) -> str:
        return " ".join(self.text.split())


@pytest.fixture(scope="module")
def read(pages: dict[str, str]) -> dict[str, Reader]:
    return {path: Reader(text) for path, text in pages.items()}


def own_pages(read: dict[str, Reader]) -> dict[str, Reader]:
    return {path: page for path, page in read.items() if path.startswith("clinics/")}


def group_pages(read: dict[str, Reader]) -> dict[str, Reader]:
    return {path: page for path, page in read.items() if not path.startswith("clinics/")}


def test_the_pages_there_are(pages: dict[str, str]) -> None:
    months = {
        "alder": ("2026-01", "2026-02", "2026-03", "2026-04"),
        "birch": ("2026-01", "2026-02", "2026-03", "2026-04"),
        "cedar": ("2026-01", "2026-02", "2026-03"),
    }
    expected = {
        "side_by_side.html",
        *("index.html", "response_by_grade.html", "response_by_session.html", "safety.html"),
        *("first_response.html", "quality.html", "method.html"),
        *("durability.html", "protocols.html", "sites.html"),
        *("expect.html", "expect/mild.html", "expect/moderate.html", "expect/severe.html"),
        *("leaving.html", "delivery.html", "dose.html"),
        *(
            f"clinics/{site}/{name}.html"
            for site, its_months in months.items()
            for name in (*its_months, "index", "recall", "response", "safety", "quality")
        ),
    }
    assert pages.keys() == expected


def test_every_page_has_its_title_language_and_cautions(
    pages: dict[str, str], read: dict[str, Reader]
) -> None:
    for path, page in read.items():
        assert '<html lang="en-GB">' in pages[path]
        assert [tag for tag, _ in page.elements].count("h1") == 1
        title = re.search("<title>(.*?)</title>", pages[path])
        assert title, path
        assert len(title[1]) > 10
        for caution in cautions.PLAIN if path.startswith("expect/") else cautions.GENERAL:
            assert caution in page.words, path


def test_outcomes_are_told_with_who_was_not_measured_and_who_was_treated_otherwise(
    release: Release, read: dict[str, Reader]
) -> None:
    told = re.compile(
        r"By the symptom score, (\d+) of (\d+) courses followed to the end were not measured "
        r"before and after\. Of 100 that were, (\d+) had another treatment begun in between"
    )
    with duckdb.connect(str(release.warehouse), read_only=True) as connection:
        rows = connection.sql(
            "select site, not_measured, courses, round(100 * other_treatment) "
            "from cohorts.response_by_grade where rule = 'symptoms' and grading = 'symptoms' and "
            "grade = 'all' and protocol = 'all' and course_kind = 'all' and period = 'all'"
        ).fetchall()
    numbers = {site: tuple(int(value) for value in values) for site, *values in rows}
    for path, site in (("response_by_grade.html", "all"), ("clinics/birch/response.html", "birch")):
        found = told.search(read[path].words)
        assert found, path
        assert tuple(map(int, found.groups())) == numbers[site]
    assert not told.search(read["quality.html"].words)


def test_nothing_is_said_of_who_was_not_measured_where_it_is_hidden(
    invented: ModuleType, tmp_path: Path
) -> None:
    made = invented.make_release(tmp_path / "release", courses=20)
    publish(made)
    assert "not measured before and after" not in (
        made.dashboards / "response_by_grade.html"
    ).read_text(encoding="utf-8")


def test_titles_tell_pages_apart(pages: dict[str, str]) -> None:
    titles = [re.search("<title>(.*?)</title>", text)[1] for text in pages.values()]  # type: ignore[index]
    latest = 3  # a clinic's index is its latest month's page
    assert len(set(titles)) == len(titles) - latest


def test_every_chart_has_a_sentence_its_limits_and_its_figures_as_a_table(
    pages: dict[str, str],
) -> None:
    charts = 0
    for path, text in pages.items():
        for section in re.findall(r'<section class="chart".*?</section>', text, re.DOTALL):
            charts += 1
            drawn = section.count('class="plot"')
            reading = re.search(r"</h\d>\s*<p>(.+?)</p>", section, re.DOTALL)
            limits = re.search(r'<p class="limits">(.+?)</p>', section, re.DOTALL)
            assert reading, path
            assert bool(limits) == bool(drawn), path  # it tells of what is drawn
            assert "<table " in section, path
            assert section.count('type="application/json"') == drawn, path
            why = (said.TOO_FEW, "Nothing to draw yet.", "Not drawn, since")
            assert drawn or any(words in section for words in why), path
    assert charts > 40


def test_a_chart_draws_the_numbers_of_its_table(pages: dict[str, str]) -> None:
    """Sessions a month at birch: bars, table and the warehouse's month_summary agree."""
    section = re.search(
        r'<section class="chart" id="sessions".*?</section>',
        pages["clinics/birch/2026-04.html"],
        re.DOTALL,
    )
    assert section
    figure = json.loads(Reader(section[0]).figures[0])
    drawn = [str(value) for value in figure["data"][0]["y"]]
    rows = re.findall(r"<tr>\s*<th scope=\"row\">.*?</th>\s*<td>\s*(\d+)\s*</td>", section[0])
    assert rows == drawn[::-1]
    assert len(drawn) == 4


def test_nothing_is_asked_of_the_network(pages: dict[str, str], read: dict[str, Reader]) -> None:
    for path, page in read.items():
        for name in ("href", "src", "action", "srcset", "style", "background"):
            for value in page.attributes(name):
                assert not urlsplit(value).scheme, (path, value)
                assert not value.startswith("//"), (path, value)
        assert "default-src &#39;none&#39;" in pages[path] or "default-src 'none'" in pages[path]
        assert not [a for _, attributes in page.elements for a in attributes if a.startswith("on")]
    for asset in ("pages.css", "choices.js", "charts.js"):
        assert not re.search(r"https?:|url\(|@import|fetch|XMLHttpRequest", _asset(asset))


def _asset(name: str) -> str:
    return (CODE / "assets" / name).read_text(encoding="utf-8")


def test_every_link_leads_somewhere(release: Release, read: dict[str, Reader]) -> None:
    followed = 0
    for path, page in read.items():
        base = release.dashboards / path
        for link in [*page.attributes("href"), *page.attributes("src")]:
            target, _, fragment = link.partition("#")
            file = (base.parent / target).resolve() if target else base.resolve()
            assert file.is_file(), (path, link)
            if fragment:
                ids = set(
                    read[file.relative_to(release.dashboards.resolve()).as_posix()].attributes("id")
                )
                assert fragment in ids, (path, link)
            followed += 1
    assert followed > 300


def test_a_clinics_folder_links_to_no_other_clinic(read: dict[str, Reader]) -> None:
    for path, page in own_pages(read).items():
        site = path.split("/")[1]
        linked = {link for link in page.attributes("href") if "clinics/" in link}
        assert all(f"clinics/{site}/" in link for link in linked), path


def test_months_lead_to_their_neighbours(pages: dict[str, str]) -> None:
    february = pages["clinics/alder/2026-02.html"]
    assert re.search(r'rel="prev" href="[^"]*2026-01.html"', february)
    assert re.search(r'rel="next" href="[^"]*2026-03.html"', february)
    assert 'rel="prev"' not in pages["clinics/alder/2026-01.html"]
    assert 'rel="next"' not in pages["clinics/alder/2026-04.html"]


def test_a_clinics_index_opens_on_its_latest_month(read: dict[str, Reader]) -> None:
    for site, month in (("alder", "2026-04"), ("birch", "2026-04"), ("cedar", "2026-03")):
        assert read[f"clinics/{site}/index.html"].text == read[f"clinics/{site}/{month}.html"].text


def test_markup_in_labels_stays_text(
    invented: ModuleType, pages: dict[str, str], read: dict[str, Reader]
) -> None:
    for path, text in pages.items():
        assert "<script>alert" not in text, path
        assert "<i>Tree" not in text, path
    assert invented.MARKUP in read["index.html"].words
    assert "entered <b>twice</b>" in read["clinics/birch/safety.html"].words


def test_markup_in_labels_stays_text_in_charts_too(release: Release, pages: dict[str, str]) -> None:
    """Plotly reads some markup in its texts, so its entities are given to it."""
    figures = [json.loads(f) for text in pages.values() for f in Reader(text).figures]
    names = {trace.get("name") for figure in figures for trace in figure["data"]}
    assert "Four sessions, two weeks apart" in names
    assert not any("<" in str(name) for name in names)


def test_equal_releases_give_equal_bytes(
    invented: ModuleType, release: Release, tmp_path: Path
) -> None:
    again = invented.make_release(tmp_path / release.name)
    publish(again)
    for folder in ("dashboards", "tables"):
        first, second = release.root / folder, again.root / folder
        files = [path.relative_to(first) for path in sorted(first.rglob("*")) if path.is_file()]
        assert files == [p.relative_to(second) for p in sorted(second.rglob("*")) if p.is_file()]
        for file in files:
            assert (first / file).read_bytes() == (second / file).read_bytes(), file


def test_publishing_again_leaves_nothing_of_before(
    release: Release, invented: ModuleType, tmp_path: Path
) -> None:
    made = invented.make_release(tmp_path / "release")
    for stale in (made.dashboards / "old.html", made.tables / "old.parquet"):
        stale.parent.mkdir(parents=True)
        stale.write_text("of another release")
    publish(made)
    assert not (made.dashboards / "old.html").exists()
    assert not (made.tables / "old.parquet").exists()


def test_progress_is_told_page_by_page(invented: ModuleType, tmp_path: Path) -> None:
    told: list[tuple[int, int]] = []
    made = invented.make_release(tmp_path / "release", courses=60)
    publish(made, on_progress=lambda done, total: told.append((done, total)))
    pages = len(list(made.dashboards.rglob("*.html")))
    assert told == [(done, pages) for done in range(1, pages + 1)]


def test_the_warehouse_is_only_read(release: Release) -> None:
    before = release.warehouse.read_bytes()
    publish(release)
    assert release.warehouse.read_bytes() == before


def test_a_missing_table_is_an_error(release: Release, tmp_path: Path) -> None:
    broken = Release(tmp_path, release.settings, release.as_of)
    with duckdb.connect(str(broken.warehouse)) as connection:
        connection.execute("create schema cohorts")
    with pytest.raises(duckdb.Error):
        publish(broken)
    assert not broken.dashboards.exists()


def test_no_page_works_out_a_statistic() -> None:
    """No sum, mean or division of the warehouse's numbers, in SQL, Python or templates."""
    sql = (CODE / "warehouse.py").read_text()
    assert not re.search(r"\b(sum|avg|count|median|stddev|quantile)\s*\(", sql)
    for path in [*(CODE / "pages").glob("*.py"), *(CODE / "templates").glob("*.html")]:
        text = path.read_text()
        assert not re.search(r"\b(sum|mean|fmean|median|pstdev)\s*\(|\|\s*sum\b", text), path
        assert not re.search(r"(?<!\w)row\[[^\]]+\]\s*[-+/]\s*row\[", text), path


def test_small_counts_are_hidden_on_group_pages_and_shown_to_the_clinic(
    release: Release, read: dict[str, Reader]
) -> None:
    with duckdb.connect(str(release.warehouse), read_only=True) as connection:
        [(blisters,)] = connection.sql(
            "select events from cohorts.safety where site = 'alder' and protocol = 'all' "
            "and month = 'all' and event = 'swelling' and severity = 'all'"
        ).fetchall()
    assert 0 < blisters < 11
    assert f"swelling {blisters} " in read["clinics/alder/safety.html"].words
    assert "swelling <11 " in read["safety.html"].words
    assert all("<11" not in page.words for page in own_pages(read).values())
    assert any("<11" in page.words for page in group_pages(read).values())


def test_group_pages_say_how_to_read_what_is_hidden(read: dict[str, Reader]) -> None:
    for path in ("response_by_grade.html", "response_by_session.html", "safety.html"):
        assert cautions.hidden_counts(11) in read[path].words
    for path, page in own_pages(read).items():
        assert cautions.FULL_COUNTS in page.words, path


def test_the_limit_of_hiding_is_the_groups_own(invented: ModuleType, tmp_path: Path) -> None:
    made = invented.make_release(tmp_path / "release", courses=60)
    lenient = invented.settings(privacy={"hide_counts_below": 5})
    publish(Release(made.root, lenient, made.as_of))
    assert "&lt;5" in (made.dashboards / "safety.html").read_text()
    assert "&lt;11" not in (made.dashboards / "safety.html").read_text()


def test_not_asked_is_never_told_as_none(read: dict[str, Reader]) -> None:
    """At birch nobody was asked in February."""
    words = read["clinics/birch/2026-02.html"].words
    assert "Nobody was asked: harm was asked about in none of" in words
    assert "No harm reported" not in words
    assert "No harm was reported" not in words


def test_none_seen_says_what_is_not_excluded(
    invented: ModuleType, release: Release, tmp_path: Path
) -> None:
    made = invented.make_release(tmp_path / "release", courses=60)
    with duckdb.connect(str(made.warehouse)) as connection:
        connection.execute(
            "update cohorts.safety set events = 0, serious = 0, rate_per_100 = 0, rate_low = 0, "
            "rate_high = 7.25, asked = 50, sessions = 52 where site = 'alder' and month = '2026-04'"
        )
        connection.execute("update cohorts.month_records set sessions_not_asked = 2")
    publish(made)
    words = Reader((made.dashboards / "clinics/alder/2026-04.html").read_text()).words
    assert (
        "No harm reported in 50 sessions asked; 2 not asked. None seen in 50 means that up to 7.2 "
        "in 100 sessions are not excluded." in words
    )


def test_a_harm_to_settle_is_listed_with_its_key_at_its_clinic_alone(
    read: dict[str, Reader],
) -> None:
    key = "0123456789abcdef-r"
    assert [path for path, page in read.items() if key in page.words] == [
        "clinics/alder/safety.html"
    ]
    safety = read["clinics/alder/safety.html"].words
    assert '[[settled_harm]] site = "alder" harm = "0123456789abcdef-r"' in safety
    assert "was withdrawn, by a later batch or with its own" in safety
    for path in ("index.html", "safety.html", "clinics/alder/2026-01.html"):
        assert "To settle." in read[path].words
        assert any(link.endswith("safety.html#to-settle") for link in read[path].attributes("href"))
    assert "To settle." not in read["clinics/birch/2026-01.html"].words


def test_a_settled_harm_is_shown_with_its_decision(read: dict[str, Reader]) -> None:
    words = read["clinics/birch/safety.html"].words
    assert "fedcba9876543210" in words
    assert "Harms to settle" not in words


def test_every_reason_of_refusal_is_told_as_the_contract_tells_it(
    read: dict[str, Reader],
) -> None:
    page = read["clinics/alder/2026-04.html"].words
    for reason in (Reason.UNKNOWN_CODE, Reason.EYES_DISAGREE, Reason.ABOVE_RANGE):
        for text in MEANINGS[reason]:
            assert text[1:].replace("`", "'") in page
    for reason in Reason:
        assert said.reason(reason) in read["quality.html"].words
        assert said.remedy(reason) in read["quality.html"].words


def test_a_reason_that_the_contract_lacks_is_an_error() -> None:
    with pytest.raises(ValueError, match="spilt_coffee"):
        said.reason("spilt_coffee")


def test_a_file_refused_whole_is_told_with_its_reason(read: dict[str, Reader]) -> None:
    assert "A column seems to hold birth dates." in read["clinics/birch/2026-04.html"].words
    assert "column seems to hold birth dates" not in read["clinics/birch/2026-03.html"].words


def test_every_code_of_the_contract_has_its_words() -> None:
    from dashboards import words

    assert {*HARMS} <= words.EVENTS.keys()
    assert {kind.name for kind in KINDS} == words.KINDS.keys()


def test_too_few_measured_make_no_headline(invented: ModuleType, tmp_path: Path) -> None:
    """Definition 16: below 60 % measured no rate is put first, on any page."""
    made = invented.make_release(tmp_path / "release")
    with duckdb.connect(str(made.warehouse)) as connection:
        connection.execute(
            "update cohorts.response_by_grade set courses = 10 * evaluable, "
            "not_measured = 9 * evaluable, not_applicable = 0"
        )
    publish(made)
    for path in ("response_by_grade.html", "clinics/alder/response.html"):
        words = Reader((made.dashboards / path).read_text()).words
        assert "fewer than 60 in 100 of those to whom the rule applies" in words
        assert "Fewer than 60 in 100 were measured, so that no share is put first here" in words
        assert not re.search(r"were better: \d+ in 100|\d+ in 100 were better", words)


def test_enough_measured_make_a_headline(read: dict[str, Reader]) -> None:
    for path in ("response_by_grade.html", "clinics/alder/response.html"):
        assert re.search(r"were better: \d+ in 100 \(limits \d+ to \d+\)", read[path].words)


def test_the_noise_of_the_measurement_stands_beside_each_share(read: dict[str, Reader]) -> None:
    for path in ("response_by_grade.html", "clinics/alder/response.html"):
        words = read[path].words
        assert re.search(
            r"\d+ in 100 were better. With no change at all, 11 in 100 would pass", words
        )
        assert "without treatment" not in words
    html = read["clinics/alder/response.html"]
    drawn = [json.loads(text)["data"] for text in html.figures]
    noise = [t["x"] for traces in drawn for t in traces if t["look"] == "chance"]
    assert len(noise) > 10
    assert all(x in (11, None) for xs in noise for x in xs)


def test_before_and_after_are_told_with_what_returns_by_itself(read: dict[str, Reader]) -> None:
    assert (
        "changed for the better by 9.5 points on average, and by 9.0 or more in half of those "
        "measured. A return to the usual after a bad day would alone give about 1.9."
    ) in read["response_by_grade.html"].words


def test_what_is_not_known_of_noise_and_gain_is_not_told(
    invented: ModuleType, tmp_path: Path
) -> None:
    made = invented.make_release(tmp_path / "release", courses=200)
    with duckdb.connect(str(made.warehouse)) as connection:
        connection.execute(
            "update cohorts.response_by_grade set rate_by_noise = null, mean_improvement = null"
        )
    publish(made)
    words = Reader((made.dashboards / "clinics/alder/response.html").read_text()).words
    assert "How many would pass with no change at all is not known" in words
    assert "Before and after:" not in words


def test_owners_see_response_at_session_and_analysts_the_first_response(
    read: dict[str, Reader],
) -> None:
    for path, page in own_pages(read).items():
        assert "Kaplan-Meier" not in page.words, path
        assert "first_response.html" not in "".join(page.attributes("href")), path
    assert "Kaplan-Meier" in read["first_response.html"].words
    assert "better of 100 begun" in read["clinics/alder/response.html"].words


def test_each_page_of_the_menu_has_its_question_on_the_start_page(
    pages: dict[str, str],
) -> None:
    asked = re.findall(r'<a href="([^"#]+)"', pages["index.html"].split("Where to look")[1])
    in_menu = {link.to for link in GROUP_MENU} - {"index.html"}
    assert in_menu <= set(asked)
    for site in ("alder", "birch", "cedar"):
        assert f'<a href="clinics/{site}/recall.html">who is due</a>' in pages["index.html"]


def test_a_late_clinic_is_called_late(read: dict[str, Reader]) -> None:
    start = read["index.html"].words
    assert re.search(r"Cedar Court March 2026 .*31 March 2026 2026-03 late", start)
    assert re.search(r"birch April 2026 .*30 April 2026 2026-04 up to date", start)


def test_the_gates_verdict_is_told_in_words(read: dict[str, Reader]) -> None:
    assert "Of 2 checks" in read["index.html"].words
    assert "none stopped this release; 1 warning was raised" in read["index.html"].words
    quality = read["quality.html"].words
    assert (
        "Found: A batch has far fewer rows than its site usually sends. "
        "What to do: Ask the clinic for the rest." in quality
    )
    assert "did not hold: see above" in quality
    assert "Every rate lies between its limits" not in quality  # told in one sentence for all
    assert "31 rows, usually 115" not in quality  # a count that leaves the clinic
    assert "cedar/2026-03/visits" in read["clinics/cedar/quality.html"].words
    assert "cedar/2026-03/visits" not in read["clinics/alder/quality.html"].words


def test_the_method_page_gives_the_groups_own_numbers(
    invented: ModuleType, tmp_path: Path, read: dict[str, Reader]
) -> None:
    assert "more than 120 days passed" in read["method.html"].words
    made = invented.make_release(tmp_path / "release", courses=60)
    own = invented.settings(numbers={"course_gap_days": 100, "followup_days": 90, "target_day": 50})
    publish(Release(made.root, own, made.as_of))
    method = Reader((made.dashboards / "method.html").read_text()).words
    assert "more than 100 days passed" in method
    assert "nearest to day 50" in method
    assert "to day 90" in method


def test_numbers_without_a_source_are_named(read: dict[str, Reader]) -> None:
    words = read["method.html"].words
    assert "Numbers without a source" in words
    assert words.count("common practice, no source") >= 3
    assert "Miller KL et al., Arch Ophthalmol 2010" in words
    assert re.search(r"Tear film: 2 s", words)


@pytest.mark.parametrize(
    "phrase",
    ["proves", "proven", "without treatment", "guarantee", "cure", "league", "significant"],
)
def test_no_page_promises(read: dict[str, Reader], phrase: str) -> None:
    for path, page in read.items():
        assert not re.search(rf"\b{phrase}\b", page.words, re.IGNORECASE), path


def test_no_page_shows_a_code_of_ours(read: dict[str, Reader]) -> None:
    """Rules, grades, reasons and protocols are said in words."""
    codes = r"\b(tear_film|four_fortnightly|in_band|out_of_range|needs_single_eye|not_measured)\b"
    for path, page in read.items():
        assert not re.search(codes, page.words), path


def test_a_harm_that_waits_is_never_told_as_none(invented: ModuleType, tmp_path: Path) -> None:
    """A month without a harm counted says so and no more where one waits; the next as before."""
    made = invented.make_release(tmp_path / "release", courses=60)
    with duckdb.connect(str(made.warehouse)) as connection:
        connection.execute(
            "update cohorts.safety set events = 0, serious = 0, rate_per_100 = 0, rate_low = 0, "
            "rate_high = 7.25, asked = 50, sessions = 52 where site = 'alder'"
        )
    publish(made)
    february, march, safety = (
        Reader((made.dashboards / f"clinics/alder/{name}.html").read_text()).words
        for name in ("2026-02", "2026-03", "safety")
    )
    assert "None counted; 1 to settle. Harm was asked about in 50 of 52 sessions." in february
    assert "1 harm of this clinic was refused, lowered or withdrawn and not settled yet" in february
    assert "No harm reported" not in february
    assert "No harm reported in 50 sessions asked" in march
    assert "None counted; 1 to settle" in safety
    assert re.search(r"burn 0 1 to settle 0 50", safety)
    assert re.search(r"blister 0 \u2013 0 50", safety)
    figure = json.loads(
        Reader((made.dashboards / "clinics/alder/safety.html").read_text()).figures[0]
    )
    labels = {label for trace in figure["data"] for label in trace["y"] if label}
    assert "burn<br>none counted; 1 to settle" in labels
    assert "blister<br>none seen" in labels


@pytest.mark.parametrize(
    ("event_date", "month"),
    [("2026-02-11", "2026-02"), ("1987-02-11", "2026-03"), (None, "2026-03")],
)
def test_a_harm_waits_in_the_month_of_its_day_or_else_of_its_batch(
    invented: ModuleType, tmp_path: Path, event_date: str | None, month: str
) -> None:
    made = invented.make_release(tmp_path / "release", courses=60)
    with duckdb.connect(str(made.warehouse)) as connection:
        connection.execute(
            "update quality.harms_to_settle set event_date = ?, batch = '2026-03' "
            "where site = 'alder'",
            [event_date],
        )
    publish(made)
    for each in ("2026-02", "2026-03"):
        words = Reader((made.dashboards / f"clinics/alder/{each}.html").read_text()).words
        assert ("1 to settle. Harm was asked" in words) == (each == month)


def test_a_group_page_gives_no_small_count_of_harms_that_wait(read: dict[str, Reader]) -> None:
    assert "Fewer than 11 to settle" in read["safety.html"].words
    assert "some to settle" in read["safety.html"].words
    assert "1 to settle" not in read["safety.html"].words.replace("than 11 to settle", "")


@pytest.mark.parametrize("refused", [4, 0])
def test_a_month_without_a_session_says_whether_they_were_refused(
    invented: ModuleType, tmp_path: Path, refused: int
) -> None:
    made = invented.make_release(tmp_path / "release", courses=60)
    with duckdb.connect(str(made.warehouse)) as connection:
        for table in ("safety", "month_summary"):
            connection.execute(
                f"update cohorts.{table} set sessions = 0 where site = 'alder' "
                "and month = '2026-04'"
            )
        connection.execute("update quality.files set refused = ? where site = 'alder'", [refused])
    publish(made)
    page = Reader((made.dashboards / "clinics/alder/2026-04.html").read_text())
    assert ("rows of its sessions were refused" in page.words) == bool(refused)
    assert ("No session was given." in page.words) == (not refused)
    assert ("What was refused, and why." in page.words) == bool(refused)


def test_no_sentence_is_made_of_a_hidden_number(read: dict[str, Reader]) -> None:
    absurd = r"[Hh]idden (of|harms|courses|eyes|were|was)\b|(of|in) hidden|\u2013 (in|of) 100 "
    for path, page in group_pages(read).items():
        assert not re.search(absurd, page.words), path


def test_no_page_holds_a_doubled_full_stop_or_an_absurd_none(read: dict[str, Reader]) -> None:
    absurd = r"\w\.\.|\b0 (was|were|broke)\b|none found in|\b1 harms\b"
    for path, page in read.items():
        assert not re.search(absurd, page.words), (path, re.search(absurd, page.words))


@pytest.mark.parametrize(("text", "ended"), [("So it is", "So it is."), ("So it is.", "So it is.")])
def test_a_sentence_ends_with_one_full_stop(text: str, ended: str) -> None:
    assert said.sentence(text) == ended


@pytest.mark.parametrize(("value", "told"), [(0, "none"), (3, "3"), (Mark.SMALL, "fewer than 11")])
def test_a_count_within_a_sentence(value: said.Number, told: str) -> None:
    assert said.none_or(value, 11) == told


def test_where_nothing_is_known_nothing_is_drawn() -> None:
    unknown, known = figures.Dot("a", "", None, None, None), figures.Dot("b", "", 3, 1, 5)
    assert figures.dots([unknown], "x") is None
    assert figures.dots([unknown, known], "x") is not None
    assert figures.bars(["Oct 2025"], [("n", [0])], "month", "count") is None
    assert figures.bars(["Oct 2025"], [("n", [1])], "month", "count") is not None
    assert figures.lines([1], [figures.Line("a", [None])], "k", "share", 100) is None
    assert figures.lines([1], [figures.Line("a", [0])], "k", "share", 100) is not None


def test_an_axis_runs_a_little_beyond_its_largest_limit() -> None:
    figure = figures.dots([figures.Dot("b", "", 3, 1, 50)], "x", upto=None)
    assert figure
    assert figure["layout"]["xaxis"]["range"][1] == pytest.approx(52)


def test_months_stand_level_and_name_the_year_where_it_changes() -> None:
    months = ["Nov 2025", "Dec 2025", "Jan 2026"]
    figure = figures.bars(months, [("n", [1, 2, 3])], "month", "count")
    assert figure
    assert figure["layout"]["xaxis"]["tickangle"] == 0
    assert figure["layout"]["xaxis"]["ticktext"] == ["Nov<br>2025", "Dec", "Jan<br>2026"]
    protocols = figures.bars(["Four sessions"], [("n", [1])], "protocol", "count")
    assert protocols
    assert "ticktext" not in protocols["layout"]["xaxis"]


def test_the_page_says_what_asked_means(read: dict[str, Reader]) -> None:
    for path in ("safety.html", "clinics/alder/safety.html"):
        assert "was recorded for at least one eye treated that day" in read[path].words


def test_tables_that_scroll_can_be_reached_and_are_named(pages: dict[str, str]) -> None:
    for path, text in pages.items():
        regions = re.findall(r'<div class="scroll"([^>]*)>', text)
        assert all('tabindex="0"' in r and 'aria-label="Table: ' in r for r in regions), path
