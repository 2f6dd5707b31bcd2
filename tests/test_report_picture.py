"""The picture of a take: what it shows, and the files it is drawn to."""

import io
import xml.etree.ElementTree as ElementTree

import numpy as np
import pytest
import sample_records
from PIL import Image

from dualmic.report import plot
from dualmic.report.picture import picture, reduce_levels, tick_times

CASES = {
    "no problem": {"problems": 0},
    "ten seconds": {"problems": 1, "duration_s": 10.0},
    "half an hour": {"problems": 20},
    "four hours": {"problems": 300, "duration_s": 14400.0, "timecode": False},
    "long name": {"problems": 2, "name": sample_records.LONG_NAME},
    "right to left": {"problems": 2, "name": sample_records.RIGHT_TO_LEFT_NAME},
    "no Latin letter": {"problems": 2, "name": sample_records.CJK_NAME},
    "no such letter": {"problems": 1, "name": "\U0001f6a4\U00012000 $x_1$"},
}


@pytest.mark.parametrize("case", CASES)
def test_every_take_is_drawn(case: str) -> None:
    record = sample_records.build(**CASES[case])
    png, svg = plot.images(record)
    with Image.open(io.BytesIO(png)) as image:
        assert image.width == 1440
        colours = {
            f"#{r:02x}{g:02x}{b:02x}" for _, (r, g, b) in image.convert("RGB").getcolors(1 << 24)
        }
    assert "#42566a" in colours  # talk
    root = ElementTree.fromstring(svg)
    words = [element.text or "" for element in root.iter("{http://www.w3.org/2000/svg}text")]
    for kind in picture(record).kinds:
        assert kind.letter in words
        assert kind.title in words
    assert "Subject, channel 2" in words


def test_text_stays_inside_the_picture() -> None:
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    for case in ("ten seconds", "four hours", "long name"):
        figure = plot._Drawing(sample_records.build(**CASES[case])).figure
        renderer = FigureCanvasAgg(figure).get_renderer()
        for text in figure.axes[0].texts:
            box = text.get_window_extent(renderer)
            assert box.x0 >= 0 and box.x1 <= figure.bbox.width, text.get_text()
            assert box.y0 >= 0 and box.y1 <= figure.bbox.height, text.get_text()


def test_the_same_record_gives_the_same_bytes() -> None:
    record = sample_records.build(problems=3, duration_s=60.0)
    assert plot.images(record) == plot.images(record)


def test_peaks_survive_reduction_and_power_is_kept() -> None:
    levels = np.full(1000, -60.0)
    levels[123] = -3.0
    groups = np.arange(0, 1000, 100)
    assert reduce_levels(levels, groups, peak=True)[1] == -3.0
    # The mean power of 99 values at -60 dB and one at -3 dB, by hand.
    by_hand = 10 * np.log10((99 * 1e-6 + 10**-0.3) / 100)
    assert reduce_levels(levels, groups, peak=False)[1] == pytest.approx(by_hand)


def test_digital_silence_stays_silence() -> None:
    levels = np.array([np.nan, np.nan, -20.0, np.nan])
    for peak in (True, False):
        reduced = reduce_levels(levels, np.array([0, 2]), peak=peak)
        assert np.isnan(reduced[0])
        assert not np.isnan(reduced[1])


@pytest.mark.parametrize("duration_s", [0.4, 10.0, 95.0, 1800.0, 14400.0, 90000.0])
def test_ticks_are_round_and_few(duration_s: float) -> None:
    ticks = tick_times(duration_s)
    assert ticks[0] == 0
    assert len(ticks) <= 7
    assert ticks[-1] <= duration_s


def test_each_problem_stands_in_the_lane_of_its_microphone() -> None:
    record = sample_records.build(problems=50)
    view = picture(record)
    shown = {
        (lane.role, mark.problem) for lane in view.lanes for row in lane.rows for mark in row.marks
    } | {(None, mark.problem) for row in view.shared_rows for mark in row.marks}
    assert shown == {(problem.mic, problem.id) for problem in record.problems}


def test_who_talks_is_shown_where_they_talk() -> None:
    record = sample_records.build(problems=0, duration_s=60.0)
    lane = picture(record).lanes[0]
    middles = (lane.edges_s[1:] + lane.edges_s[:-1]) / 2
    turns = [turn for turn in record.turns if turn.speaker == "subject"]
    for at_s, talks in zip(middles, lane.speaking, strict=True):
        inside = any(turn.start_s <= at_s < turn.end_s for turn in turns)
        near = any(min(abs(at_s - t.start_s), abs(at_s - t.end_s)) < 0.2 for t in turns)
        assert talks == inside or near
