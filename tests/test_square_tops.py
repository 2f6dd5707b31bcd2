"""Clipped tops no two samples of which are equal: told by their shape, in each half wave."""

from collections.abc import Callable
from pathlib import Path

import av
import numpy as np
import pytest
import soundfile as sf
import speech_scene
from scipy import signal
from scipy.ndimage import maximum_filter1d, uniform_filter1d
from speech_scene import INTERVIEWER, RATE_HZ, SUBJECT, Scene
from test_bent_tops import coded, slate

from dualmic.meters.clipping import PILED_DB
from dualmic.meters.square_tops import HIGHEST_DBFS, LEVELS, STEP_DB, TopShapes
from dualmic.meters.top_ceilings import square_frames, wider_at
from dualmic.record import Problem
from dualmic.take import check_take

Damage = Callable[[np.ndarray], np.ndarray]


def shouted(over_db: float) -> tuple[Scene, slice]:
    """Return a scene whose first answer exceeds 1 by so much, everything else stays under 0.4."""
    scene = speech_scene.make(3)
    start_s, end_s = scene.answers()[0]
    part = slice(round(start_s * RATE_HZ), round(end_s * RATE_HZ))
    row = scene.samples[:, SUBJECT]
    row *= 0.4 / np.abs(row).max()
    row[part] *= 10 ** (over_db / 20) / np.abs(row[part]).max()
    return scene, part


def converter_noise(row: np.ndarray) -> np.ndarray:
    hiss = np.random.default_rng(4).normal(0, 2e-5, len(row))
    return 0.6 * np.clip(row, -1, 1) + hiss


def bent(row: np.ndarray) -> np.ndarray:
    """Return what an input does that saturates."""
    return 0.6 * np.tanh(2.5 * row)


def one_half_bent(row: np.ndarray) -> np.ndarray:
    return 0.15 * np.where(row > 0, np.tanh(3 * row), row)


def resampled(row: np.ndarray) -> np.ndarray:
    cut = 0.5 * np.clip(row, -1, 1)
    return signal.resample_poly(signal.resample_poly(cut, 147, 160), 160, 147)[: len(row)]


def clipping(scene: Scene, path: Path) -> list[Problem]:
    record = check_take([scene.write(path)])
    return [problem for problem in record.problems if problem.kind == "clipping"]


@pytest.mark.parametrize("damage", [converter_noise, bent, one_half_bent, resampled])
def test_cut_tops_are_found_by_their_shape(damage: Damage, tmp_path: Path) -> None:
    scene, part = shouted(14.0)
    scene.samples[:, SUBJECT] = damage(scene.samples[:, SUBJECT])
    found = clipping(scene, tmp_path / "take.wav")
    assert "fail" in {problem.severity for problem in found}
    for problem in found:
        assert problem.mic == "subject"
        assert part.start / RATE_HZ - 0.05 < problem.start_s
        assert problem.end_s < part.stop / RATE_HZ + 0.05


@pytest.mark.parametrize("clips", [True, False])
def test_a_few_tops_cut_before_a_quiet_converter_are_found(clips: bool, tmp_path: Path) -> None:
    """One half wave, cut by up to 4 dB: too little to make it square, but level throughout."""
    scene, part = shouted(8.0)
    row = scene.samples[:, SUBJECT]
    if clips:
        np.minimum(row, 1.0, out=row)
    row *= 0.5
    row += np.random.default_rng(4).normal(0, 1e-5, len(row))  # 100 dB under full scale
    found = [p for p in clipping(scene, tmp_path / "take.wav") if p.severity != "note"]
    assert bool(found) == clips
    for problem in found:
        assert problem.mic == "subject"
        assert part.start / RATE_HZ - 0.05 < problem.start_s
        assert problem.end_s < part.stop / RATE_HZ + 0.05


def test_one_polarity_cut_is_found_inside_aac(tmp_path: Path) -> None:
    """The other half wave reaches far beyond the ceiling."""
    scene, part = shouted(14.0)
    row = scene.samples[:, SUBJECT]
    row[:] = 0.15 * np.minimum(row, 1.0)
    record = check_take([coded(scene.samples, tmp_path / "take.m4a")])
    found = [problem for problem in record.problems if problem.kind == "clipping"]
    assert found
    for problem in found:
        assert problem.mic == "subject"
        assert part.start / RATE_HZ - 0.05 < problem.start_s
        assert problem.end_s < part.stop / RATE_HZ + 0.05


@pytest.mark.parametrize("over_db", [0.0, 14.0])
def test_what_is_loud_and_whole_has_no_square_tops(over_db: float, tmp_path: Path) -> None:
    scene, _ = shouted(over_db)
    scene.samples *= 0.15
    assert clipping(scene, tmp_path / "take.wav") == []


def test_tops_a_limiter_bends_a_little_are_no_more_than_a_note(tmp_path: Path) -> None:
    scene, _ = shouted(6.0)
    row = scene.samples[:, SUBJECT]
    over = np.abs(row) > 0.5
    row[over] = (np.sign(row) * (0.5 + 0.5 * np.tanh((np.abs(row) - 0.5) / 0.5)))[over]
    scene.samples *= 0.9
    assert {problem.severity for problem in clipping(scene, tmp_path / "take.wav")} <= {"note"}


def test_a_gust_at_its_loudest_is_not_square(tmp_path: Path) -> None:
    """Ten milliseconds of a slow swing hardly change, and are no flat top."""
    scene, part = shouted(0.0)
    time_s = np.arange(part.stop - part.start) / RATE_HZ
    scene.samples[part, SUBJECT] += np.sin(2 * np.pi * 17 * time_s)
    scene.samples *= 0.4
    assert clipping(scene, tmp_path / "take.wav") == []


def test_cells_that_differ_by_a_frame_are_read_alike(tmp_path: Path) -> None:
    """At 22.05 kHz ten milliseconds are 220 or 221 frames."""
    scene, part = shouted(14.0)
    scene.samples[:, SUBJECT] = converter_noise(scene.samples[:, SUBJECT])
    low = signal.resample_poly(scene.samples, 147, 320, axis=0)
    sf.write(tmp_path / "take.wav", low, 22050, subtype="PCM_24")
    record = check_take([tmp_path / "take.wav"])
    found = [problem for problem in record.problems if problem.kind == "clipping"]
    assert "fail" in {problem.severity for problem in found}
    for problem in found:
        assert part.start / RATE_HZ - 0.05 < problem.start_s
        assert problem.end_s < part.stop / RATE_HZ + 0.05


@pytest.mark.parametrize("is_coded", [False, True])
def test_peaks_a_limiter_keeps_to_one_level_are_not_clipped(is_coded: bool, tmp_path: Path) -> None:
    """A limiter that looks ahead turns whole half waves down: as many peaks, none of them wider."""
    scene = speech_scene.make(6)
    row = scene.samples[:, SUBJECT] / np.abs(scene.samples[:, SUBJECT]).max() * 2.0
    peak = maximum_filter1d(np.abs(row), RATE_HZ // 500)
    held = uniform_filter1d(np.minimum(1, 1 / np.maximum(peak, 1e-9)), RATE_HZ // 500)
    scene.samples[:, SUBJECT] = 0.2 * row * held
    scene.samples[:, INTERVIEWER] *= 0.2
    if is_coded:
        take = coded(scene.samples, tmp_path / "take.m4a")
    else:
        take = scene.write(tmp_path / "take.wav", "FLOAT")
    told = [p for p in check_take([take]).problems if p.kind == "clipping"]
    assert [(p.mic, p.severity, p.unit) for p in told] == [("subject", "note", "dBFS")]


def test_loud_speech_that_nothing_kept_down_has_no_rounded_tops_in_a_codec(tmp_path: Path) -> None:
    scene = speech_scene.make(6)
    scene.samples *= 0.9 / np.abs(scene.samples).max()
    record = check_take([coded(scene.samples, tmp_path / "take.m4a")])
    assert [p for p in record.problems if p.kind == "clipping"] == []


@pytest.mark.parametrize(("share", "is_cut"), [(0.30, False), (0.425, True)])
def test_of_lossy_sound_only_wide_tops_are_cut(share: float, is_cut: bool) -> None:
    """Two hundred peaks at one level; lower ones spend a fifth of their time near the top.

    Ten that lie 4 dB over it, as of a slate, were not cut.
    """
    cells = np.zeros((1, 2, LEVELS + 1), np.int64)
    cells[0, 0, 30], cells[0, 0, 50], cells[0, 0, 51:100] = 10, 200, 10
    bent_shapes = np.zeros((1, 2, LEVELS + 1, 21), np.int64)
    bent_shapes[0, 0, 50, [round(20 * share - 1), round(20 * share)]] = 100
    bent_shapes[0, 0, 51:100, [[3], [4]]] = 5
    level = np.full((1, 300), 50, np.uint8), np.zeros((1, 300), np.uint8)
    level[0][0, :10] = 30
    empty = np.zeros_like(bent_shapes)
    whole = np.zeros((1, 300), np.uint16)
    shapes = TopShapes(
        level, empty, bent_shapes, cells, empty[..., 0], empty[..., :2], 480, False, whole
    )
    frames = square_frames(shapes, 0, np.zeros(300, np.uint16))
    assert bool(frames[10:].all()) == bool(frames.any()) == is_cut
    assert not frames[:10].any()


@pytest.mark.parametrize(("share", "is_cut"), [(0.30, False), (0.425, True)])
def test_peaks_with_nothing_softer_to_hold_them_against_are_cut_where_they_are_wide(
    share: float, is_cut: bool
) -> None:
    bent_shapes = np.zeros((1, 2, LEVELS + 1, 21), np.int64)
    step = round((HIGHEST_DBFS + 10.0) / STEP_DB) + 1
    bent_shapes[0, 0, step, [round(20 * share - 1), round(20 * share)]] = 100
    cells, level = bent_shapes.sum(axis=3), np.zeros((1, 0), np.uint8)
    tops = TopShapes(
        (level, level), bent_shapes, bent_shapes, cells, cells, bent_shapes, 480, False, level
    )
    assert wider_at(tops, 0, -10.0, PILED_DB) == is_cut


def test_a_slate_does_not_hide_what_is_cut_under_it(tmp_path: Path) -> None:
    """A third of a second, 13 dB over the ceiling that an answer was cut at."""
    scene, part = shouted(15.0)
    scene.samples[:, SUBJECT] = 0.35 * converter_noise(scene.samples[:, SUBJECT])
    scene.samples[: len(slate())] += slate()
    record = check_take([scene.write(tmp_path / "take.wav", "PCM_24")])
    cut = [p for p in record.problems if p.kind == "clipping" and p.severity != "note"]
    assert {p.mic for p in cut} == {"subject"}
    start_s, end_s = part.start / RATE_HZ, part.stop / RATE_HZ
    assert all(start_s - 0.1 < p.start_s < p.end_s < end_s + 0.1 for p in cut)


def test_one_sound_has_the_same_tops_in_float_and_in_whole_numbers(tmp_path: Path) -> None:
    """A codec bent the tops before either file was written, so neither file is a codec's."""
    scene, _ = shouted(12.0)
    scene.samples[:, SUBJECT] = 0.3 * np.minimum(scene.samples[:, SUBJECT], 1.0)
    with av.open(str(coded(scene.samples, tmp_path / "take.m4a"))) as container:
        blocks = [frame.to_ndarray() for frame in container.decode(audio=0)]
    scene.samples = np.concatenate(blocks, axis=1).T
    whole, floating = (
        check_take([scene.write(tmp_path / f"{subtype}.wav", subtype)])
        for subtype in ("PCM_24", "FLOAT")
    )
    tops = [
        [(p.mic, p.start_s, p.severity) for p in record.problems if p.kind == "clipping"]
        for record in (whole, floating)
    ]
    assert tops[0] == tops[1]


@pytest.mark.parametrize(
    ("bent", "square", "is_wider"),
    [
        ((5, 4), (3, 2), False),
        ((6, 4), (3, 2), False),
        ((6, 4), (4, 1), True),
        ((8, 6), (3, 2), False),
        ((8, 6), (4, 2), True),
    ],
)
def test_peaks_that_pile_up_are_cut_only_where_they_are_wide(
    bent: tuple[int, int], square: tuple[int, int], is_wider: bool
) -> None:
    """By classes of a twentieth: a limiter makes its own peaks 1.4 times as wide as softer ones."""
    bent_shapes, square_shapes = (np.zeros((1, 2, LEVELS + 1, 21), np.int64) for _ in range(2))
    step = round((HIGHEST_DBFS + 10.0) / STEP_DB) + 1
    for shapes, (top, lower) in ((bent_shapes, bent), (square_shapes, square)):
        shapes[0, 0, step, top] = shapes[0, 0, step + 25, lower] = 200
    cells, level = bent_shapes.sum(axis=3), np.zeros((1, 0), np.uint8)
    tops = TopShapes(
        (level, level), square_shapes, bent_shapes, cells, cells, bent_shapes, 480, False, level
    )
    assert wider_at(tops, 0, -10.0, PILED_DB) == is_wider
