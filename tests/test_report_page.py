"""The page: one file, closed to the network, readable by people and by screen readers."""

import base64
import hashlib
import html.parser
import re

import msgspec
import pytest
import sample_records

from dualmic.report import page
from dualmic.report.clips import Clip
from dualmic.report.outline import outline

VOID = {"meta", "img", "br", "link", "input", "hr"}
NASTY = '"><script>alert(1)</script><img src=x onerror=alert(2)>&lt;'


class Reader(html.parser.HTMLParser):
    """Collects tags with their attributes and text, and checks that they nest."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.texts: list[tuple[str, str]] = []
        self.feed(text)
        assert self.open == []

    def handle_starttag(self, tag, attrs) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data) -> None:
        if self.open:
            self.texts.append((self.open[-1], data))

    def all(self, tag: str) -> list[dict[str, str | None]]:
        return [attributes for name, attributes in self.tags if name == tag]


def text_of(record, **more) -> str:
    return page.html(record, b"png", **more).decode()


@pytest.mark.parametrize("problems", [0, 1, 20, 300])
def test_the_page_is_well_formed_and_lists_every_problem(problems: int) -> None:
    record = sample_records.build(problems=problems)
    reader = Reader(text_of(record))
    ids = [attributes.get("id") for attributes in reader.all("li")]
    assert {f"problem-{p.id}" for p in record.problems} <= set(ids)
    everything = "".join(text for _, text in reader.texts)
    assert all(problem.heard in everything for problem in record.problems)
    used = [attributes["id"] for _, attributes in reader.tags if "id" in attributes]
    assert len(used) == len(set(used))


def test_the_verdict_comes_first_and_the_numbers_after() -> None:
    reader = Reader(text_of(sample_records.build(problems=20)))
    headings = [text.strip() for tag, text in reader.texts if tag == "h2" and text.strip()]
    assert headings == [
        "Ask again",
        "Change before the next take",
        "The take over time",
        "What was found",
        "Will it do for its purpose?",
        "Everything that was measured",
        "The recording, and how it was measured",
    ]
    words = "".join(text for _, text in reader.texts)
    assert words.index("Usable, but for 2 answers") < words.index("Ask again")
    assert "If it is safe and they are willing, ask for these answers again" in words


def test_nothing_in_the_page_points_outside() -> None:
    clips = {1: Clip("audio/webm; codecs=opus", b"sound", 3.0)}
    text = text_of(sample_records.build(problems=3), clips=clips)
    for tag, attributes in Reader(text).tags:
        for name in ("src", "href", "action", "poster", "data", "srcset"):
            value = attributes.get(name)
            assert value is None or value.startswith(("data:", "#")), (tag, name)
        assert not [name for name in attributes if name.startswith("on")], tag
        assert "style" not in attributes, tag
    assert "@import" not in text
    assert not re.search(r"url\(", text)


def test_the_policy_lets_in_this_style_and_this_script_alone() -> None:
    # W3C Content Security Policy Level 3: digests are of the exact text between the tags.
    text = text_of(sample_records.build(problems=3))
    policy = next(a["content"] for a in Reader(text).all("meta") if "http-equiv" in a)
    assert policy.startswith("default-src 'none'; ")
    assert "unsafe" not in policy
    style = re.search(r"<style>(.*?)</style>", text, re.DOTALL)[1]
    script = re.search(r"<script>(.*?)</script>", text, re.DOTALL)[1]
    for directive, content in (("style-src", style), ("script-src", script)):
        digest = base64.b64encode(hashlib.sha256(content.encode()).digest()).decode()
        assert f"{directive} 'sha256-{digest}'" in policy


def test_names_are_text_and_nothing_else() -> None:
    record = sample_records.build(problems=2, name=NASTY, subject_name=NASTY)
    problems = [msgspec.structs.replace(p, heard=NASTY, kind=NASTY) for p in record.problems]
    record = msgspec.structs.replace(record, problems=problems, set_up=[NASTY])
    plain, nasty = (
        Reader(text_of(sample_records.build(problems=2))),
        Reader(text_of(record, labels={NASTY: NASTY})),
    )
    assert len(nasty.all("script")) == len(plain.all("script"))
    assert len(nasty.all("img")) == len(plain.all("img"))
    words = "".join(text for _, text in nasty.texts)
    assert words.count(NASTY) > 6


def test_tables_say_what_their_cells_belong_to() -> None:
    # W3C WCAG 2.2, success criterion 1.3.1.
    text = text_of(sample_records.build(problems=3))
    reader = Reader(text)
    assert all(attributes.get("scope") in ("row", "col") for attributes in reader.all("th"))
    assert text.count("<caption>") == text.count("<table")
    assert reader.all("html")[0]["lang"] == "en"
    assert all(attributes.get("alt") for attributes in reader.all("img"))
    assert len(reader.all("h1")) == 1


def test_the_worst_check_comes_first_and_what_no_limit_judges_last() -> None:
    record = sample_records.build(problems=1)
    checks = record.deliveries["podcast"].checks
    free = msgspec.structs.replace(
        checks[1], id="free", warn_limit=None, fail_limit=None, margin=None
    )
    delivery = msgspec.structs.replace(record.deliveries["podcast"], checks=[free, *checks])
    rows = outline(msgspec.structs.replace(record, deliveries={"podcast": delivery}))
    results = [row.result for row in rows.deliveries[0].checks]
    assert results == [
        "fails", "take care", "not measured", "passes", "passes", "passes", "stated"
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("severities", "said"),
    [
        ([], "No problem was found."),
        (["fail"], "1 problem that spoils sound."),
        (["fail", "fail"], "2 problems that spoil sound."),
        (["note", "fail", "note"], "3 problems: 1 that spoils sound, 2 good to know."),
    ],
)
def test_problems_are_summed_up_in_words(severities: list[str], said: str) -> None:
    record = sample_records.build(problems=3)
    problems = [
        msgspec.structs.replace(problem, severity=severity)
        for problem, severity in zip(record.problems, severities, strict=False)
    ]
    assert outline(msgspec.structs.replace(record, problems=problems)).problem_summary == said


def test_every_colour_has_its_word() -> None:
    # W3C WCAG 2.2, success criterion 1.4.1: a result is told in words beside its colour.
    text = text_of(sample_records.build(problems=3))
    for tone, word in (("good", "passes"), ("bad", "fails"), ("mixed", "take care")):
        assert f'class="result {tone}">{word}</td>' in text


def test_half_an_hour_with_twenty_clips_stays_under_three_megabytes() -> None:
    # Clips of the full budget: as large as the page lets them become.
    clips = {n: Clip("audio/webm; codecs=opus", bytes(82_000), 8.0) for n in range(1, 21)}
    record = sample_records.build(problems=20)
    assert len(page.html(record, bytes(200_000), clips=clips)) < 3_000_000


def test_the_picture_data_survives_the_way_into_the_page() -> None:
    record = sample_records.build(problems=2, duration_s=60.0, name="</script><b>")
    text = text_of(record)
    data = re.search(r'<script type="application/json" id="data">(.*?)</script>', text, re.DOTALL)
    read = msgspec.json.decode(data[1])
    assert read["duration"] == 60.0
    lane = read["lanes"][0]
    assert lane["role"] == "subject"
    levels = base64.b64decode(lane["rms"])
    wanted = record.overview.subject.rms_dbfs
    assert len(levels) == len(wanted)
    assert all(abs((6 - step / 2) - db) <= 0.251 for step, db in zip(levels, wanted, strict=True))
