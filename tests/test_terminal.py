"""The screen: it fits, it says first what to do first, and it is plain."""

import functools
import io
import os
import pty
import re
import subprocess
import sys
from pathlib import Path

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rich.cells import cell_len
from sample_records import CJK_NAME, LONG_NAME, RIGHT_TO_LEFT_NAME
from sample_records import build as build_anew

from dualmic import record as r
from dualmic.checks import bit_depth_check
from dualmic.report.cells import clean, cut, plain_for, shorten, width_of, wrap
from dualmic.report.outline import outline
from dualmic.report.plain import fine_words, plain_advice, reasons, without_units
from dualmic.report.terminal import HEIGHT, print_screen, screen
from dualmic.spec import LimitBit

UNITS = re.compile(r"\d\s?dB|dBFS|dBTP|LUFS|LKFS|\bLU\b|\bk?Hz\b|\bms\b|%|samples")
NAMES = ["LOCK_0012", LONG_NAME, CJK_NAME * 8, RIGHT_TO_LEFT_NAME, "a\x1b[2J\nb\tc", "bad\udcff"]
HEADINGS = ["Before the subject leaves", "Before the next take", "What is fine", "Deliveries"]


build = functools.cache(build_anew)
HERE = str(Path(__file__).parent)


def with_(record: r.TakeRecord, **fields: object) -> r.TakeRecord:
    return msgspec.structs.replace(record, **fields)


def lines_of(text: str) -> list[str]:
    assert text.endswith("\n")
    return text[:-1].split("\n")


@pytest.mark.parametrize("numbers", [False, True])
@pytest.mark.parametrize("width", [40, 66, 80, 100])
@pytest.mark.parametrize("problems", [0, 3, 40, 300])
@pytest.mark.parametrize("name", NAMES)
def test_any_take_fits_one_screen(name, problems, width, numbers):
    # The reference for the width of a line is rich's own table of cells.
    record = build(problems=problems)
    record = with_(record, take=with_(record.take, name=name))
    text = screen(record, numbers=numbers, width=width)
    assert len(lines_of(text)) <= HEIGHT < 40
    assert [line for line in lines_of(text) if cell_len(line) > width] == []


@settings(max_examples=60, deadline=None)
@given(
    name=st.text(max_size=300),
    set_up=st.lists(st.text(max_size=400), max_size=12),
    delivery=st.text(min_size=1, max_size=30),
    problems=st.sampled_from([0, 1, 9, 60]),
    duration_s=st.sampled_from([0.5, 70.0, 7300.0]),
    verdict=st.sampled_from(["usable", "usable but for these answers", "not usable", None]),
    width=st.integers(20, 130),
    numbers=st.booleans(),
)
def test_whatever_a_record_holds_fits_and_steers_no_terminal(
    name, set_up, delivery, problems, duration_s, verdict, width, numbers
):
    record = build(problems=problems, duration_s=duration_s)
    record = with_(
        record,
        take=with_(record.take, name=name),
        set_up=set_up,
        verdict=verdict,
        deliveries={**record.deliveries, delivery: record.deliveries["film"]},
    )
    text = screen(record, numbers=numbers, width=width)
    assert len(lines_of(text)) <= HEIGHT
    assert all(width_of(line) <= max(width, 40) for line in lines_of(text))
    joiners = "\u200c\u200d"
    assert all(c.isprintable() or c in joiners for line in lines_of(text) for c in line)


def test_the_screen_follows_the_order_in_which_a_person_acts():
    text = screen(build())
    where = [text.index(heading) for heading in HEADINGS]
    assert where == sorted(where)
    assert text.index("USABLE, BUT FOR ONE ANSWER") < where[0]


def test_an_answer_to_ask_again_has_its_time_timecode_reason_and_condition():
    record = build()
    ask = next(line for line in record.at_risk if line.covered_by is None)
    text = screen(record)
    assert (ask.start_s, ask.because) == (pytest.approx(1645.4, abs=0.1), ["clipping"])
    assert "27:25 to 28:16  crackles, too loud for the input at 27:47" in text
    # 10:11:12:00 at 25 frames a second, 1645.44 s later (SMPTE ST 12-1).
    assert "timecode 10:38:37:11" in text
    assert "if it is safe and they are willing" in text


def test_a_take_without_timecode_shows_none():
    assert "timecode" not in screen(build(timecode=False))


def test_an_answer_with_a_usable_copy_comes_after_those_that_are_lost():
    text = screen(build())
    assert text.index("27:25 to 28:16") < text.index("2:38 to 3:31")
    assert re.search(r"2:38 to 3:31\s+no need: your own microphone holds a usable copy", text)


def test_a_delivery_that_passes_says_that_answers_are_damaged():
    record = build()
    checks = [with_(c, result="pass") for c in record.deliveries["film"].checks]
    film = with_(record.deliveries["film"], checks=checks, result="pass")
    record = with_(record, deliveries={"film": film})
    assert "film  passes but for the damaged answers\n" in screen(record)
    (told,) = outline(record).deliveries
    assert told.result == "passes but for the damaged answers"
    assert "film  passes\n" in screen(with_(record, at_risk=[]))


def test_damaged_answers_alone_are_said_to_be_all_that_fails():
    record = build()
    checks = [c for c in record.deliveries["film"].checks if c.id in ("clipping", "crosstalk")]
    film = with_(record.deliveries["film"], checks=checks)
    text = screen(with_(record, deliveries={"film": film}))
    assert "film  fails only for the damaged answers; the rest passes\n" in text
    told = outline(with_(record, deliveries={"film": film}))
    assert [row.result for row in told.deliveries] == ["fails only for the damaged answers"]
    checks = [with_(c, result="fail") if c.id == "crosstalk" else c for c in checks]
    worse = with_(record, deliveries={"film": with_(film, checks=checks)})
    assert [row.result for row in outline(worse).deliveries] == ["fails"]


def test_what_does_not_fit_is_counted():
    record = build(problems=300)
    answers = [line for line in record.at_risk if line.speaker == "subject"]
    own_questions = len(answers) < len(record.at_risk)
    block = screen(record).split(HEADINGS[1])[0]
    shown = len(re.findall(r"^  [\d:]+ to [\d:]+ ", block, re.MULTILINE))
    hidden = int(re.search(r"and (\d+) more", block)[1])
    assert 0 < shown < len(answers)
    assert shown + hidden == len(answers) + own_questions


@pytest.mark.parametrize("problems", [0, 3, 40, 300])
def test_units_appear_only_when_the_numbers_are_asked_for(problems):
    record = with_(
        build(problems=problems),
        set_up=[
            "Turn the subject's input up 6 dB.",
            "Too much background (14.2 dB over noise; at least 18 dB): move away from the weir.",
            "Turn the low cut at 80 Hz on.",
        ],
    )
    assert UNITS.findall(screen(record)) == []
    numbers = " ".join(screen(record, numbers=True).split())
    assert "up 6 dB, the loudest words then reach -12 on the camera's meter." in numbers


@pytest.mark.parametrize(
    ("sentence", "told"),
    [
        (
            "Turn the subject's input up 6 dB.",
            "Turn the subject's input up clearly, until the loudest words reach about three "
            "quarters of the camera's level meter.",
        ),
        (
            "Turn the interviewer's input down by about 14.5 dB.",
            "Turn the interviewer's input down a lot, until the loudest words reach about three "
            "quarters of the camera's level meter.",
        ),
        (
            "Turn the subject's input down 3 dB: it is too loud.",
            "Turn the subject's input down a little, until the loudest words reach about three "
            "quarters of the camera's level meter: it is too loud.",
        ),
        ("Sit a little further apart.", "Sit a little further apart."),
    ],
)
def test_a_gain_is_told_by_what_to_see_on_the_camera(sentence, told):
    assert plain_advice(sentence) == told


def test_amounts_with_units_go_and_times_and_counts_stay():
    assert without_units("Hum at 50.02 Hz from 0:10, in 3 places (-71.4 dBFS).") == (
        "Hum from 0:10, in 3 places."
    )


def test_the_numbers_stand_beside_their_limits():
    text = screen(build(), numbers=True)
    # The sample's subject: 16.2 dB over the background where under 18 warns and under 10 fails.
    assert re.search(r"Speech over noise, dB +21\.4 +care 16\.2  18/10", text)
    assert re.search(r"Flat tops, worst, ms +fails 14\.0  1/10", text)
    assert re.search(r"Over the peak, dB +unmeasured  10", text)
    assert re.search(r"Background, dB\(A\)FS +−66\.0 +−66\.0", text)


def test_values_that_differ_by_delivery_have_a_row_each():
    record = build()
    film = record.deliveries["film"]
    louder = [with_(c, value=5.2) if c.id == "speech_to_noise" else c for c in film.checks]
    text = screen(
        with_(record, deliveries={**record.deliveries, "film": with_(film, checks=louder)}),
        numbers=True,
    )
    assert re.search(r"podcast: speech over nois\S+ +21\.4 +care 16\.2", text)
    assert re.search(r"film: speech over nois\S+ +5\.2 +care 5\.2  18/10", text)


def test_only_what_was_measured_and_passes_is_called_fine():
    told = dict(fine_words(build(problems=0)))
    # The sample: the interviewer's 21.4 dB pass, the subject's 16.2 dB warn under 18.
    assert told["The interviewer's microphone"] == ["voice clear of the background"]
    # The subject's loud moments were not measured, the flat tops fail.
    assert told["The subject's microphone"] == ["other voice low", "loud enough"]


def test_what_is_fine_on_both_microphones_is_said_once():
    record = build(problems=0)
    podcast = record.deliveries["podcast"]
    checks = [with_(c, result="pass") for c in podcast.checks]
    told = dict(fine_words(with_(record, deliveries={"podcast": with_(podcast, checks=checks)})))
    assert told["Both microphones"] == ["voice clear of the background"]
    assert "voice clear of the background" not in told["The subject's microphone"]


def test_a_problem_of_a_kind_silences_praise_for_its_check():
    record = build(problems=0)
    noise = with_(build(problems=1).problems[0], kind="noise", mic="interviewer", severity="note")
    assert "The interviewer's microphone" not in dict(fine_words(with_(record, problems=[noise])))


def test_a_microphone_that_clipped_is_not_called_never_too_loud():
    record = build(problems=0)
    podcast = record.deliveries["podcast"]
    checks = [with_(c, result="pass") for c in podcast.checks]
    passing = with_(record, deliveries={"podcast": with_(podcast, checks=checks)})
    assert "never too loud" in dict(fine_words(passing))["The subject's microphone"]
    clipped = with_(build(problems=1).problems[0], kind="clipping", mic="subject")
    told = dict(fine_words(with_(passing, problems=[clipped])))
    assert "never too loud" not in told["The subject's microphone"]


@pytest.mark.parametrize(("way", "silenced"), [("up", "loud enough"), ("down", "never too loud")])
def test_an_input_that_is_to_be_turned_is_not_praised_for_its_level(way, silenced):
    record = build(problems=0)
    podcast = record.deliveries["podcast"]
    checks = [with_(c, result="pass") for c in podcast.checks]
    record = with_(record, deliveries={"podcast": with_(podcast, checks=checks)}, set_up=[])
    levels = {"loud enough", "never too loud"}
    assert levels <= set(dict(fine_words(record))["The subject's microphone"])
    turned = with_(record, set_up=[f"Turn the subject's input {way} 9 dB."])
    assert levels - set(dict(fine_words(turned))["The subject's microphone"]) == {silenced}


def test_a_microphone_in_which_a_crack_was_heard_is_not_praised_for_having_none() -> None:
    record = build(problems=0)
    podcast = record.deliveries["podcast"]
    checks = [with_(c, result="pass") for c in podcast.checks]
    record = with_(record, deliveries={"podcast": with_(podcast, checks=checks)})
    owners = [owner for owner, told in fine_words(record) if "no crackles" in told]
    assert owners
    cracked = with_(build(problems=1).problems[0], kind="click", severity="note")
    cracks = [with_(cracked, mic=mic) for mic in ("interviewer", "subject")]
    told = dict(fine_words(with_(record, problems=cracks)))
    assert not any("no crackles" in told.get(owner, []) for owner in owners)


def test_compressed_sound_is_called_so() -> None:
    """It has no resolution that could be low."""
    film = build(problems=0).deliveries["film"]
    told = {}
    for bits, is_lossy in ((None, True), (12, False)):
        check = bit_depth_check(LimitBit(warn=16.0, source="common practice"), bits, is_lossy)
        told[is_lossy] = reasons(with_(film, checks=[check]))
    assert told == {
        True: ["the file's sound is compressed"],
        False: ["the file's resolution is low"],
    }


def test_a_cut_file_is_not_called_complete():
    cut_short = with_(build(problems=1).problems[0], kind="truncated", mic=None)
    assert dict(fine_words(build(problems=0)))["The file"] == ["complete"]
    assert "The file" not in dict(fine_words(with_(build(problems=0), problems=[cut_short])))


@pytest.mark.parametrize(
    ("kind", "says"),
    [
        ("nobody speaks", ["NOBODY SPEAKS IN THIS RECORDING", "Room tone"]),
        ("too short", ["TOO SHORT TO JUDGE", "Less than 15 seconds of speech"]),
    ],
)
def test_a_take_that_is_not_judged_says_what_it_is(kind, says):
    record = with_(build(problems=0), kind_of_take=kind, verdict=None, turns=[])
    text = screen(record)
    assert all(words in text for words in says)
    assert "ask" not in text
    assert "Deliveries" not in text


def test_a_very_short_take_is_given_to_a_tenth_of_a_second():
    assert " 0:00.5 long" in screen(build(duration_s=0.5, problems=0))


def test_what_was_not_measured_is_named_once_and_counted():
    record = build(problems=0)
    film = record.deliveries["film"]
    ids = ["speech_to_noise", "gain", "loud_moments", "hum_after_gain"]
    gaps = [with_(film.checks[0], id=name, value=None, result="not measured") for name in ids]
    text = screen(with_(record, deliveries={"film": with_(film, checks=gaps, result="incomplete")}))
    assert " ".join(text.split("Deliveries\n")[1].split()) == (
        "film not all measured: the background behind the subject (no quiet pause), how loud the "
        "subject is and 2 more"
    )


def test_one_person_alone_is_said():
    record = with_(build(problems=0), kind_of_take="one person", verdict="usable")
    assert "Only one person speaks." in screen(record)


def test_a_take_that_cannot_be_used_says_why_and_what_comes_first():
    dead = with_(
        build(problems=1).problems[0],
        kind="mic_dead",
        mic="subject",
        severity="fail",
        start_s=900.0,
        end_s=1800.0,
    )
    record = with_(build(problems=0), verdict="not usable", problems=[dead])
    text = screen(record)
    assert "The subject's microphone: not working, 15:00 to 30:00." in text
    assert text.index("First mend") < text.index("Before the next take")
    assert "First mend" not in screen(with_(record, set_up=[], problems=[]))


def test_a_doubt_about_who_is_where_comes_with_the_command():
    record = build()
    asked = "Channel 1 talks most of the time (85 %): check with --interviewer 2 --subject 1."
    text = screen(with_(record, roles=with_(record.roles, doubt=asked)))
    assert "--interviewer 2 --subject 1" in " ".join(text.split())
    assert "%" not in text
    assert "--interviewer" not in screen(record)


def test_a_mix_is_not_asked_again():
    text = screen(build(mode="mix"))
    assert "subject leaves" not in text
    assert "In the mix" in text


def test_colour_adds_codes_and_changes_no_word():
    record = build()
    coloured = screen(record, colour=True)
    assert "\x1b[1;33mUSABLE" in coloured
    assert re.sub(r"\x1b\[[\d;]*m", "", coloured) == screen(record)
    assert "\x1b" not in screen(record)


def in_a_terminal(code: str, **environment: str) -> str:
    """Run ``code`` in a Python that writes to a pseudo-terminal; return what that shows."""
    master, slave = pty.openpty()
    variables = {k: v for k, v in os.environ.items() if k not in ("NO_COLOR", "TERM")}
    variables |= {"TERM": "xterm-256color", "PYTHONPATH": HERE} | environment
    with subprocess.Popen(
        [sys.executable, "-c", code], stdout=slave, stderr=slave, stdin=slave, env=variables
    ) as process:
        os.close(slave)
        shown = b""
        while True:
            try:
                part = os.read(master, 65536)
            except OSError:  # Linux: the other end was closed
                break
            if not part:
                break
            shown += part
    os.close(master)
    assert process.returncode == 0, shown.decode()
    return shown.decode()


PRINT = (
    "import sample_records, dualmic.report.terminal as t; t.print_screen(sample_records.build())"
)


def test_a_terminal_gets_colour():
    assert "\x1b[1;33mUSABLE" in in_a_terminal(PRINT)


@pytest.mark.parametrize("environment", [{"NO_COLOR": "1"}, {"TERM": "dumb"}])
def test_no_color_and_dumb_terminals_get_none(environment):
    shown = in_a_terminal(PRINT, **environment)
    assert "\x1b" not in shown
    assert "USABLE, BUT FOR ONE ANSWER" in shown


def test_a_pipe_gets_no_colour_and_an_ascii_stream_only_ascii():
    raw = io.BytesIO()
    stream = io.TextIOWrapper(raw, encoding="ascii", errors="strict")
    print_screen(build(name=CJK_NAME + "…"), numbers=True, stream=stream)
    stream.flush()
    assert b"\x1b" not in raw.getvalue()
    assert b"-25.1" in raw.getvalue()


def test_the_screen_loads_nothing_heavy():
    heavy = ["rich", "matplotlib", "fpdf", "jinja2", "av", "pyloudnorm", "scipy.signal"]
    code = (
        "import sys, io, sample_records, dualmic.report.terminal as t\n"
        "t.print_screen(sample_records.build(), stream=io.StringIO())\n"
        f"print([name for name in {heavy} if name in sys.modules])"
    )
    environment = {**os.environ, "PYTHONPATH": HERE}
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, env=environment, check=True
    )
    assert done.stdout.strip() == "[]"


WORK = (
    "import sys, dualmic.report.progress as p\n"
    "p.PATIENCE_S = {patience}\n"
    "with p.progress(600) as done:\n"
    "    for at in range(0, 601, 60): done(at)\n"
    "print('rich' in sys.modules)"
)


def test_long_work_shows_a_bar_with_the_time_reached():
    shown = in_a_terminal(WORK.format(patience=0))
    assert "Listening" in shown
    assert "10:00 of 10:00" in shown


def test_short_work_shows_no_bar_and_loads_no_rich():
    assert in_a_terminal(WORK.format(patience=60)).strip() == "False"


def test_a_pipe_gets_no_bar():
    done = subprocess.run(
        [sys.executable, "-c", WORK.format(patience=0)], capture_output=True, text=True, check=True
    )
    assert (done.stdout.strip(), done.stderr) == ("False", "")


@pytest.mark.parametrize(
    "text", ["lock", "水門の番人", "e\u0301a", "한국어", "ｶﾅ", "мост", "🚢 ok"]
)
def test_cells_are_counted_as_rich_counts_them(text):
    assert width_of(text) == cell_len(text)


@given(st.text(max_size=80), st.integers(12, 60))
def test_cut_wrapped_and_shortened_text_keeps_to_its_width(text, width):
    text = clean(text)
    assert width_of(cut(text, width)) <= width
    assert width_of(shorten(text, width)) <= width
    assert all(width_of(line) <= width for line in wrap(text, width, "  ", "    "))


@given(st.text(alphabet="lock水\u0301 ", max_size=200), st.integers(12, 60))
def test_wrapping_loses_nothing(text, width):
    text = clean(text)
    assert "".join(wrap(text, width)).replace(" ", "") == text.replace(" ", "")


def test_an_unknown_encoding_is_taken_for_ascii():
    assert plain_for("1 – 2 …", None) == plain_for("1 – 2 …", "no-such") == "1 - 2 ~"


def test_the_numbers_of_a_mix_are_shown() -> None:
    record = build_anew(mode="mix")
    record = msgspec.structs.replace(record, mics={}, crosstalk=None)
    text = screen(record, numbers=True)
    assert "the mix" in text
    assert "Integrated, LUFS" in text and "-26.4" in plain_for(text, "ascii")


@pytest.mark.parametrize("width", [40, 50, 80])
def test_advice_is_whole_on_a_narrow_screen(width: int) -> None:
    long = (
        "Turn the subject's input down 12 dB: it is too loud for it, and so is the interviewer's."
    )
    record = msgspec.structs.replace(build_anew(problems=0), set_up=[long])
    words = screen(record, width=width).split()
    assert " ".join(words).count("so is the interviewer's.") == 1


def test_a_dead_microphone_is_not_praised() -> None:
    record = build_anew()
    dead = msgspec.structs.replace(
        record.problems[0], kind="mic_dead", mic="subject", start_s=0.0, end_s=1800.0
    )
    told = dict(fine_words(msgspec.structs.replace(record, problems=[dead])))
    assert "Both microphones" not in told and "The subject's microphone" not in told
