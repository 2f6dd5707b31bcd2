"""What must hold for every recording: gain, shift, swap, silence, polarity, block size, container.

The takes are made from two speech-like voices, so that who speaks when is known and a record is
full: turns, noise, crosstalk, hum. Numbers that may differ by rounding have a tolerance beside
them; everything else must be equal.
"""

from collections.abc import Iterator
from dataclasses import replace
from functools import lru_cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import msgspec
import numpy as np
import pytest
import soundfile
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from dualmic import stack
from dualmic.meters import bands, clipping, levels, loudness
from dualmic.meters.peaks import OVERSAMPLING, TAPS, TruePeakMeter, interpolation_taps
from dualmic.record import TakeRecord
from dualmic.take import CheckOptions, check_take
from dualmic.tiles import spans
from reference_signals.interview import HumLine, SetUp, interview

RATE = 16000  # a speech recorder's; every property holds at any rate, and this one is quick
SET_UP = SetUp(
    speech_dbfs=(-27.0, -24.0),
    noise_dbfs=(-62.0, -66.0),
    leak_db=(-11.0, -14.0),
    leak_delay=(50, 50),
    link_delay=90,
    hum=(HumLine(1, 50.0, -58.0), HumLine(1, 150.0, -62.0)),
)
STEP_DB = 0.0015  # records round levels to 0.001 dB
FEW = settings(
    max_examples=4,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)


@lru_cache(maxsize=1)
def take() -> np.ndarray:
    """The take that the properties are tried on, ``(frames, 2)`` float32, 84 s."""
    return np.tile(interview(SET_UP, RATE).astype(np.float32), (3, 1))


def checked(samples: np.ndarray, folder: Path, name: str = "take.wav") -> TakeRecord:
    path = folder / name
    soundfile.write(path, samples, RATE, subtype="FLOAT")
    return check_take([path], CheckOptions())


@lru_cache(maxsize=1)
def base() -> TakeRecord:
    """The record of the take as it is (no fixture: a failing example would print all of it)."""
    with TemporaryDirectory() as folder:
        return checked(take(), Path(folder))


def numbers(value: Any, path: str = "") -> Iterator[tuple[str, float | None]]:
    """Every number of a record with its path; nothing measured gives ``None``."""
    if isinstance(value, dict):
        for key, inner in value.items():
            yield from numbers(inner, f"{path}.{key}")
    elif isinstance(value, list):
        for index, inner in enumerate(value):
            yield from numbers(inner, f"{path}[{index}]")
    elif isinstance(value, int | float) or value is None:
        yield path, value


def measured(record: TakeRecord) -> dict[str, Any]:
    """What was measured, apart from judgement, problems and the take's own description."""
    names = ("mics", "programme", "crosstalk", "turns")
    return msgspec.to_builtins({name: getattr(record, name) for name in names})


LEVEL_NAMES = ("_lufs", "_dbfs", "_dbtp", "_dba")


# Not further down: the noise must not cross the absolute gate at -70 LUFS, which does not move.
@FEW
@given(gain_db=st.floats(-6.0, 12.0))
def test_a_gain_moves_every_level_by_itself_and_nothing_else(gain_db, tmp_path) -> None:
    louder = checked(take() * np.float32(10 ** (gain_db / 20)), tmp_path)
    before, after = dict(numbers(measured(base()))), dict(numbers(measured(louder)))
    assert before.keys() == after.keys()
    for path, old in before.items():
        new = after[path]
        if old is None or new is None:
            assert new is old, path
        elif path.endswith(LEVEL_NAMES):
            assert new - old == pytest.approx(gain_db, abs=0.02), path
        elif path.endswith("dc_offset"):
            assert new == pytest.approx(old * 10 ** (gain_db / 20), abs=1e-6), path
        else:
            assert new == pytest.approx(old, abs=0.02), path


def led_in(silence_s: float) -> np.ndarray:
    return np.concatenate([np.zeros((round(silence_s * RATE), 2), np.float32), take()])


@lru_cache(maxsize=1)
def led_in_record() -> TakeRecord:
    """The take after 3 s of silence: then no window of the standard begins before the sound."""
    with TemporaryDirectory() as folder:
        return checked(led_in(3.0), Path(folder))


# Paths whose numbers depend on a grid that begins with the file: sections of 30 s, hum in groups
# of 10 s, speech against the noise of windows every 2 s. How far they may move.
GRID = {"hum": 0.3, "speech_s": 0.05, "measured_s": 0.05, "noise_floor": 0.05, "noise_p": 0.1}
GRID |= {"speech_to_noise_db": 0.05, "level_db": 0.01, "delay_ms": 0.03, "latency_ms": 0.03}


@FEW
@given(tenths=st.integers(1, 35))
def test_a_shift_by_tenths_of_a_second_moves_times_and_nothing_else(tenths, tmp_path) -> None:
    shift_s = tenths / 10
    before = dict(numbers(measured(led_in_record())))
    after = dict(numbers(measured(checked(led_in(3.0 + shift_s), tmp_path))))
    for path, old in before.items():
        if ".sections" in path or old is None:
            continue
        new, name = after[path], path.rsplit(".", 1)[-1]
        if name in ("start_s", "end_s"):
            assert new == pytest.approx(old + shift_s, abs=0.0101), path
        elif name == "true_peak_at_s":
            assert new == pytest.approx(old + shift_s, abs=1e-4), path
        else:
            within = [value for key, value in GRID.items() if key in path]
            assert new == pytest.approx(old, abs=within[0] if within else STEP_DB), path


@FEW
@given(frames=st.integers(1, RATE // 10 - 1))
def test_any_other_shift_hardly_moves_loudness_and_range(frames, tmp_path) -> None:
    shifted = checked(take()[frames:], tmp_path)
    assert shifted.programme.integrated_lufs == pytest.approx(
        base().programme.integrated_lufs, abs=0.05
    )
    assert shifted.programme.range_lu == pytest.approx(base().programme.range_lu, abs=0.1)


def test_swapping_the_channels_swaps_the_two_microphones_exactly(tmp_path) -> None:
    swapped = checked(take()[:, ::-1], tmp_path)
    for role, other in (("interviewer", "subject"), ("subject", "interviewer")):
        mine = msgspec.structs.replace(swapped.mics[role], channel=base().mics[other].channel)
        assert mine == base().mics[other]
    assert swapped.programme == base().programme
    assert base().crosstalk is not None and swapped.crosstalk is not None
    assert swapped.crosstalk.interviewer_into_subject == base().crosstalk.subject_into_interviewer
    assert swapped.crosstalk.subject_into_interviewer == base().crosstalk.interviewer_into_subject
    assert [(turn.start_s, turn.end_s) for turn in swapped.turns] == [
        (turn.start_s, turn.end_s) for turn in base().turns
    ]
    assert all(a.speaker != b.speaker for a, b in zip(swapped.turns, base().turns, strict=True))


@FEW
@given(silence_s=st.floats(0.1, 30.0))
def test_silence_after_the_take_hardly_moves_its_loudness(silence_s, tmp_path) -> None:
    silence = np.zeros((round(silence_s * RATE), 2), np.float32)
    longer = checked(np.concatenate([take(), silence]), tmp_path)
    assert longer.programme.integrated_lufs == pytest.approx(
        base().programme.integrated_lufs, abs=0.1
    )


@pytest.mark.parametrize("channel", [0, 1])
def test_inverting_one_channel_flips_only_the_polarity(channel, tmp_path) -> None:
    sign = np.ones(2, np.float32)
    sign[channel] = -1
    inverted = checked(take() * sign, tmp_path)
    assert base().crosstalk is not None and inverted.crosstalk is not None
    for way in ("interviewer_into_subject", "subject_into_interviewer"):
        old, new = getattr(base().crosstalk, way), getattr(inverted.crosstalk, way)
        assert (old.polarity, new.polarity) == ("same", "opposite")
        assert msgspec.structs.replace(new, polarity="same") == old
    for role in base().mics:
        flipped = msgspec.structs.replace(inverted.mics[role], dc_offset=0.0)
        assert flipped == msgspec.structs.replace(base().mics[role], dc_offset=0.0)
        assert abs(inverted.mics[role].dc_offset) == abs(base().mics[role].dc_offset)
    assert inverted.programme == base().programme
    assert inverted.turns == base().turns
    new_kinds = {problem.kind for problem in inverted.problems}
    assert new_kinds - {problem.kind for problem in base().problems} == {"polarity"}


def apart_from_the_file(record: TakeRecord) -> TakeRecord:
    """The record without what the file says of itself."""
    return msgspec.structs.replace(record, take=None, channels=[], roles=None)


def test_two_mono_files_give_the_record_of_one_stereo_file(tmp_path) -> None:
    paths = [tmp_path / "a.wav", tmp_path / "b.wav"]
    for channel, path in enumerate(paths):
        soundfile.write(path, take()[:, channel], RATE, subtype="FLOAT")
    apart = check_take(paths, CheckOptions())
    assert apart_from_the_file(apart) == apart_from_the_file(base())


@pytest.mark.parametrize("encoding", ["wav-24", "flac-24", "mov-24"])
def test_the_container_changes_nothing_that_is_measured(encoding, tmp_path) -> None:
    from reference_signals import Signal, write
    from reference_signals.signal import from_samples

    whole = np.round(take() * 2**23) / 2**23  # what 24 bits hold exactly
    signal = Signal("take", "", RATE, 2, len(whole), from_samples(whole), "wav-24")
    plain = check_take([write(signal, tmp_path)], CheckOptions())
    stored = check_take([write(replace(signal, encoding=encoding), tmp_path)], CheckOptions())
    assert apart_from_the_file(stored) == apart_from_the_file(plain)
    assert stored.take.files[0].audio_md5 == plain.take.files[0].audio_md5


@pytest.mark.parametrize("block_frames", [1, 997, 16000, 1 << 20])
def test_the_block_size_changes_nothing(block_frames) -> None:
    sound = take()[: 3 * RATE + 17]
    step = 4000 if block_frames == 1 else len(sound)  # single frames are slow: a part is enough
    sound = sound[:step]
    cut = (sound[at : at + block_frames] for at in range(0, len(sound), block_frames))
    whole, parts = list(spans([sound], RATE)), list(spans(cut, RATE))
    assert len(whole) == len(parts)
    for one, other in zip(whole, parts, strict=True):
        assert np.array_equal(one.samples, other.samples)
        assert one.start_s == other.start_s


# True peak: only parts are oversampled; the answer must be that of oversampling everything.


def brute_force_peak(channel: np.ndarray) -> float:
    """The largest magnitude of the whole channel oversampled 16x, silence around it."""
    taps = interpolation_taps().astype(np.float64)
    padded = np.pad(channel.astype(np.float64), TAPS)
    windows = np.lib.stride_tricks.sliding_window_view(padded, TAPS)
    return float(np.abs(windows @ taps.T).max())


def metered_peak(channel: np.ndarray, rate: int) -> float:
    meter = TruePeakMeter(rate, 1)
    for span in spans([channel[:, None].astype(np.float32)], rate):
        meter.push(span)
    return float(meter.result().true_peak[0])


def adversarial(kind: str, seed: int) -> np.ndarray:
    """Signals that hide their peak between small samples, at edges, or behind larger ones."""
    rng = np.random.default_rng(seed)
    taps = interpolation_taps()
    frames = int(rng.integers(200, 3000))
    sound = np.zeros(frames)
    if kind == "worst signs":  # reaches the bound: every sample has its tap's sign
        phase = int(np.abs(taps).sum(axis=1).argmax())
        at = int(rng.integers(0, frames - TAPS))
        sound += 0.9 * rng.uniform(-0.2, 0.2, frames)
        sound[at : at + TAPS] = np.sign(taps[phase]) * 0.5
        sound[int(rng.integers(frames))] = 0.9
    elif kind == "nyquist":
        sound = (
            0.4 * np.cos(np.pi * np.arange(frames)) * rng.choice([1, -1], frames, p=[0.97, 0.03])
        )
    elif kind == "impulses":
        places = rng.integers(0, frames, 12)
        sound[places] = rng.uniform(-1, 1, 12)
    elif kind == "edges":
        sound[: TAPS // 2] = 0.7
        sound[-TAPS // 2 :] = rng.choice([-0.7, 0.7], TAPS // 2)
    else:
        sound = rng.standard_normal(frames) * np.exp(rng.uniform(-3, 0, frames))
    return sound.astype(np.float32)


KINDS = ("worst signs", "nyquist", "impulses", "edges", "noise")


@settings(max_examples=120, deadline=None, derandomize=True)
@given(
    kind=st.sampled_from(KINDS),
    seed=st.integers(0, 10**6),
    rate=st.sampled_from([500, 1000, 48000]),
)
def test_true_peak_equals_oversampling_everything(kind, seed, rate) -> None:
    sound = adversarial(kind, seed)
    assert metered_peak(sound, rate) == pytest.approx(brute_force_peak(sound), rel=2e-6)


def test_the_bound_is_the_largest_l1_norm_of_a_phase() -> None:
    """No interpolated value exceeds the largest sample times the largest sum of |taps|."""
    norm = float(np.abs(interpolation_taps()).sum(axis=1).max())
    worst = max(brute_force_peak(adversarial("worst signs", seed)) for seed in range(20))
    assert worst / 0.9 <= norm
    signs = np.sign(interpolation_taps()[int(np.abs(interpolation_taps()).sum(axis=1).argmax())])
    assert brute_force_peak(signs) == pytest.approx(norm, rel=1e-6)


@pytest.mark.parametrize("frequency", [0.1, 0.25, 0.35, 0.42])
def test_sixteen_phases_agree_with_a_dense_fourier_reconstruction(frequency) -> None:
    rng = np.random.default_rng(3)
    frames = 4096
    noise = np.fft.irfft(
        np.where(
            np.fft.rfftfreq(frames) < frequency,
            np.exp(2j * np.pi * rng.random(frames // 2 + 1)),
            0,
        ),
        frames,
    )
    noise /= np.abs(noise).max()
    dense = 64 * np.fft.irfft(np.fft.rfft(noise), 64 * frames)
    inner = np.tile(noise, 3)  # periodic, as the transform takes it to be
    read = metered_peak(inner, 48000)
    assert OVERSAMPLING == 16
    assert 20 * np.log10(read / np.abs(dense).max()) == pytest.approx(0.0, abs=0.05)


def test_where_a_take_is_kept_changes_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A take of hours lies in files and is looked at a piece at a time; a short one does not."""
    in_memory = base()
    monkeypatch.setattr(stack, "HELD_PARTS", 2)
    monkeypatch.setattr(stack, "HELD_BYTES", 100)
    monkeypatch.setattr(bands, "KEPT_CELLS", 0)
    monkeypatch.setattr(bands, "STRETCH_CELLS", 1000)
    monkeypatch.setattr(clipping, "_PIECE_CELLS", 700)
    monkeypatch.setattr(levels, "_PIECE_TILES", 90)
    monkeypatch.setattr(loudness, "_PIECE_CELLS", 800)
    in_files = checked(take(), tmp_path)
    assert in_files.turns
    everything, expected = (msgspec.to_builtins(record) for record in (in_files, in_memory))
    for record in (everything, expected):
        del record["take"]["files"]  # their folder
    assert everything == expected
