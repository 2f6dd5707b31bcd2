"""The mains frequency that the settings name is looked for first, and measured all the same."""

from pathlib import Path

import numpy as np
import pytest
import soundfile as sf
from speech_scene import INTERVIEWER, RATE_HZ, SUBJECT, make

from dualmic.findings.hums import lasting
from dualmic.meters.hum import HumLines, HumMeter, find_hum
from dualmic.meters.hum_edges import edge_s
from dualmic.record import TakeRecord
from dualmic.settings import Settings
from dualmic.take import CheckOptions, check_take
from dualmic.tiles import spans

Lines = dict[float, float]


def tones(lines: Lines, duration_s: float) -> np.ndarray:
    """Return tones of these frequencies at these levels in dBFS RMS."""
    at_s = np.arange(round(duration_s * RATE_HZ)) / RATE_HZ
    return sum(
        np.sqrt(2) * 10 ** (level / 20) * np.sin(2 * np.pi * hz * at_s)
        for hz, level in lines.items()
    )


def look_for(lines: Lines, mains_hz: float | None) -> HumLines | None:
    """Measure tones in noise of -90 dBFS."""
    noise = np.random.default_rng(2).normal(0, 10 ** (-90 / 20), 13 * RATE_HZ)
    sound = (tones(lines, 13) + noise).astype(np.float32)[:, None]
    meter = HumMeter(RATE_HZ, 1)
    for span in spans([sound], RATE_HZ):
        meter.push(span)
    low = meter.result()
    return find_hum(low.bins_hz, low.power[0].mean(axis=0), mains_hz)


BOTH = {100.0: -66.0, 120.0: -64.0}


@pytest.mark.parametrize(("mains_hz", "expected_hz"), [(None, 60.0), (50, 50.0), (60, 60.0)])
def test_of_two_hums_about_as_strong_the_named_mains_is_the_one(
    mains_hz: float | None, expected_hz: float
) -> None:
    found = look_for(BOTH, mains_hz)
    assert found is not None
    assert found.fundamental_hz == pytest.approx(expected_hz, abs=0.02)


@pytest.mark.parametrize("mains_hz", [None, 50, 60])
def test_a_much_stronger_hum_is_found_whatever_was_named(mains_hz: float | None) -> None:
    generator = {57.0: -50.0, 114.0: -52.0, 171.0: -55.0, 100.0: -84.0}
    found = look_for(generator, mains_hz)
    assert found is not None
    assert found.fundamental_hz == pytest.approx(57.0, abs=0.02)


@pytest.mark.parametrize(
    ("line_hz", "mains_hz", "expected_hz"),
    [
        (150.0, None, None),
        (150.0, 60, None),
        (150.0, 50, 50.0),
        (150.3, 50, 50.1),
        (153.0, 50, None),
        (180.0, 60, 60.0),
        (200.0, 50, 50.0),
    ],
)
def test_a_single_line_tells_the_mains_only_where_it_was_named(
    line_hz: float, mains_hz: float | None, expected_hz: float | None
) -> None:
    found = look_for({line_hz: -60.0}, mains_hz)
    if expected_hz is None:
        assert found is None
    else:
        assert found is not None
        assert found.fundamental_hz == pytest.approx(expected_hz, abs=0.01)
        assert [hz for hz, _ in found.lines] == [pytest.approx(line_hz, abs=0.03)]


@pytest.mark.parametrize("mains_hz", [None, 50, 60])
def test_nothing_is_found_where_there_is_no_hum(mains_hz: float | None) -> None:
    assert look_for({}, mains_hz) is None


@pytest.mark.parametrize(("tone_hz", "expected_hz"), [(158.2, None), (150.0, 50.0), (180.3, 60.1)])
def test_a_fan_of_three_times_a_hum_is_none(tone_hz: float, expected_hz: float | None) -> None:
    """Its own multiples are every third of a fundamental that is not there."""
    found = look_for({tone_hz: -50.0, 2 * tone_hz: -54.0, 3 * tone_hz: -60.0}, None)
    assert (found and found.fundamental_hz) == pytest.approx(expected_hz, abs=0.02)


@pytest.mark.parametrize("lines", [(1,), (1, 2), (1, 2, 3)])
@pytest.mark.parametrize(
    ("tone_hz", "expected_hz"), [(93.9, None), (118.6, None), (100.3, 50.15), (119.9, 59.95)]
)
def test_of_twice_a_hum_only_the_grids_own_is_one(
    tone_hz: float, expected_hz: float | None, lines: tuple[int, ...]
) -> None:
    """A rectifier hums at twice the mains and its multiples; a fan turns as it likes."""
    found = look_for({number * tone_hz: -48.0 - 4 * number for number in lines}, None)
    assert (found and found.fundamental_hz) == pytest.approx(expected_hz, abs=0.02)


def check(lines: Lines, mains_hz: int | None, folder: Path) -> TakeRecord:
    built = make(rounds=3)
    built.samples[:, SUBJECT] += tones(lines, len(built.samples) / RATE_HZ)
    sf.write(folder / "a.wav", built.samples, RATE_HZ, "PCM_24")
    return check_take([folder / "a.wav"], CheckOptions(settings=Settings(mains_hz=mains_hz)))


def test_the_settings_mains_reaches_record_and_words(tmp_path: Path) -> None:
    record = check({150.0: -50.0}, 50, tmp_path)
    hum = record.mics["subject"].hum
    assert hum is not None
    assert hum.frequency_hz == pytest.approx(50.0, abs=0.01)
    assert any(p.kind == "hum" and "(50.0 Hz)" in p.heard for p in record.problems)
    assert check({150.0: -50.0}, None, tmp_path).mics["subject"].hum is None


def test_a_hum_that_is_not_the_named_mains_is_called_so(tmp_path: Path) -> None:
    record = check({57.0: -46.0, 114.0: -50.0}, 50, tmp_path)
    (told,) = {p.heard for p in record.problems if p.kind == "hum"}
    assert "(57.0 Hz, not the mains' 50 Hz)" in told


@pytest.mark.parametrize(("start_s", "end_s"), [(13.3, 38.6), (1.6, 40.0), (0.0, 37.4)])
def test_a_hum_that_comes_and_goes_is_dated_under_speech(
    tmp_path: Path, start_s: float, end_s: float
) -> None:
    """Finer than the ten seconds its spectrum is taken over, wherever a group begins."""
    scene = make(4)
    samples = scene.samples[: 40 * RATE_HZ].copy()
    part = slice(round(start_s * RATE_HZ), round(end_s * RATE_HZ))
    lines = {50.03: -56.0, 100.06: -60.0, 150.09: -58.0, 250.15: -62.0}
    samples[part, SUBJECT] += tones(lines, 40.0)[part]
    sf.write(tmp_path / "take.wav", samples, RATE_HZ, subtype="PCM_24")
    (found,) = [p for p in check_take([tmp_path / "take.wav"]).problems if p.kind == "hum"]
    assert abs(found.start_s - start_s) < 0.25
    assert abs(found.end_s - end_s) < 0.25


def test_a_hum_in_digital_silence_has_no_edge() -> None:
    """A microphone died within the ten seconds that its hum is told from."""
    time_s = np.arange(8000) / 1000
    samples = np.where(time_s < 4.0, 0.01 * np.sin(2 * np.pi * 50 * time_s), 0.0)
    assert edge_s(samples, 1000, [50.0], comes=True, known=slice(4200, 8000)) is None


@pytest.mark.parametrize(
    "lines",
    [
        {60.02 * k: -55.0 for k in range(1, 7)},
        {50.03: -62.0, 100.06: -68.0, 150.09: -62.0, 250.15: -70.0, 350.21: -72.0},
    ],
)
def test_a_steady_hum_keeps_its_level_and_its_lines_under_talk(
    lines: Lines, tmp_path: Path
) -> None:
    """In most stretches of ten seconds somebody's voice covers a line or two."""
    scene = make(10, leak_db=-14.0, gap_s=1.0, noise_dbfs=-60.0)
    scene.samples[:, INTERVIEWER] += tones(lines, len(scene.samples) / RATE_HZ)
    record = check_take([scene.write(tmp_path / "talk.wav")])
    hum = record.mics["interviewer"].hum
    assert hum is not None
    level_dbfs = 10 * np.log10(sum(10 ** (level / 10) for level in lines.values()))
    assert hum.level_dbfs == pytest.approx(level_dbfs, abs=0.8)
    (told,) = [p for p in record.problems if p.kind == "hum" and p.mic == "interviewer"]
    assert told.value == pytest.approx(level_dbfs, abs=0.8)


def test_a_hum_goes_on_where_a_voice_hides_it_for_long() -> None:
    """Of six groups two are full of a voice; a hum that is gone in them is two hums."""
    bins_hz = np.arange(40.0, 710.0, 0.5)
    groups = np.full((6, len(bins_hz)), 1e-9, np.float32)
    line = np.abs(bins_hz - 50.0) < 0.6
    groups[:, line] += 1e-6
    told = [find_hum(bins_hz, group) for group in groups]
    told[2:4] = [None, None]
    assert lasting(bins_hz, groups, told) == [(0, 6)]
    groups[2:4, line] = 1e-9
    assert lasting(bins_hz, groups, told) == [(0, 2), (4, 6)]
