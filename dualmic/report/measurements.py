"""Every measurement of a record as a row: name, meaning, values, definition and source."""

from collections.abc import Callable
from dataclasses import dataclass

from dualmic.record import Hum, Leak, Mic, MicRole, Programme, TakeRecord
from dualmic.report.words import clock, duration, number, quantity

BS1770 = "ITU-R BS.1770-5"
NOT_MEASURED = number(None)


@dataclass(frozen=True)
class Measurement:
    """One row: ``subject`` and ``interviewer`` are texts with units, ready to print."""

    name: str
    plain: str
    subject: str
    interviewer: str
    definition: str
    source: str


@dataclass(frozen=True)
class _MicRow:
    name: str
    plain: str
    value: Callable[[Mic], str]
    definition: str
    source: str


_MIC_ROWS = (
    _MicRow(
        "Speech loudness",
        "how loud this person's voice is",
        lambda mic: quantity(mic.loudness.speech_lufs, "LUFS"),
        "Loudness of the 400 ms blocks that lie wholly inside this person's own talk while the "
        "other is silent, gated at −70 LUFS and 10 LU under their mean.",
        f"{BS1770}, on speech only: common practice",
    ),
    _MicRow(
        "Speech over background",
        "how far the voice stands out from the background; more is better",
        lambda mic: quantity(mic.speech_to_noise_db, "dB"),
        "Level of this person's own speech, the background's share taken off, over the noise "
        "floor; both A-weighted.",
        "A-weighting: IEC 61672-1",
    ),
    _MicRow(
        "Noise floor, A-weighted",
        "the background as an ear hears it; lower is better",
        lambda mic: quantity(mic.noise_floor_dba, "dB(A)FS"),
        "Mean power of this microphone while nobody speaks, in 100 ms blocks, A-weighted. Wind, "
        "cracks and muted pauses are left out. It takes at least 2 s of such pauses.",
        "A-weighting: IEC 61672-1",
    ),
    _MicRow(
        "Noise floor, unweighted",
        "the background with its rumble",
        lambda mic: quantity(mic.noise_floor_dbfs, "dBFS"),
        "As above, 20 Hz to 20 kHz without weighting, the steady offset removed.",
        "own definition",
    ),
    _MicRow(
        "Noise floor, range",
        "how steady the background is",
        lambda mic: _range(mic.noise_p10_dbfs, mic.noise_p90_dbfs, "dBFS"),
        "10th and 90th percentile of the blocks that the noise floor is made of.",
        "own definition",
    ),
    _MicRow(
        "Mains hum",
        "an electric buzz under everything",
        lambda mic: _hum(mic.hum, mic.noise_floor_dbfs),
        "Fundamental near 50 or 60 Hz, measured, not assumed, and its harmonics, where they "
        "stand above the noise around them; the level is of all of them together.",
        "own definition",
    ),
    _MicRow(
        "True peak",
        "the loudest instant, as a loudspeaker plays it",
        lambda mic: _peak(mic.true_peak_dbtp, mic.true_peak_at_s),
        "Highest level of the curve through the samples, found by oversampling at least 4 times.",
        f"{BS1770}, annex 2",
    ),
    _MicRow(
        "Sample peak",
        "the highest number in the file",
        lambda mic: quantity(mic.sample_peak_dbfs, "dBFS"),
        "Largest absolute sample value; 0 is the most the file can hold.",
        "own definition",
    ),
    _MicRow(
        "Flat samples",
        "moments cut off because they were too loud",
        lambda mic: quantity(float(mic.clipped_samples), "samples"),
        "Samples in runs held flat at a ceiling that many runs share, entered with a break in "
        "slope; at full scale or below it.",
        "own definition",
    ),
    _MicRow(
        "Integrated loudness",
        "loudness of everything on this microphone",
        lambda mic: quantity(mic.loudness.integrated_lufs, "LUFS"),
        "K-weighted, 400 ms blocks overlapping by 75 %, gated at −70 LUFS and −10 LU.",
        BS1770,
    ),
    _MicRow(
        "Loudest 3 s, loudest 0.4 s",
        "short-term and momentary maximum",
        lambda mic: (
            f"{number(mic.loudness.max_short_term_lufs)}, "
            f"{quantity(mic.loudness.max_momentary_lufs, 'LUFS')}"
        ),
        "Largest K-weighted loudness in a sliding window of 3 s and of 400 ms.",
        "EBU Tech 3341",
    ),
    _MicRow(
        "Loudness range",
        "how much louder the loud parts are than the quiet ones",
        lambda mic: quantity(mic.loudness.range_lu, "LU"),
        "10th to 95th percentile of the 3 s loudness, gated at −70 LUFS and −20 LU.",
        "EBU Tech 3342",
    ),
    _MicRow(
        "DC offset",
        "how far the signal sits off its centre line",
        lambda mic: quantity(mic.dc_offset * 100, "% of full scale", 3),
        "Mean of all samples.",
        "own definition",
    ),
    _MicRow(
        "Talk",
        "how long this person speaks",
        lambda mic: duration(mic.speech_s),
        "Sum of this person's turns; the voice belongs to the microphone in which it is louder "
        "once both are levelled. Pauses under 0.7 s inside a turn are bridged.",
        "own definition",
    ),
)


def microphone_rows(record: TakeRecord) -> list[Measurement]:
    """Return the measurements of both microphones, what matters most for speech first."""
    rows = [
        Measurement(
            row.name,
            row.plain,
            _of(record, "subject", row.value),
            _of(record, "interviewer", row.value),
            row.definition,
            row.source,
        )
        for row in _MIC_ROWS
    ]
    return [*rows, *_crosstalk_rows(record)]


def is_shared(record: TakeRecord) -> bool:
    """Whether both people are on one microphone."""
    return bool(record.mics) and "interviewer" not in record.mics


def programme_rows(record: TakeRecord) -> list[tuple[str, str, str, str]]:
    """Return name, value, definition and source of what both channels measure as one programme."""
    programme: Programme = record.programme
    both = "Both channels as left and right of one stereo programme. "
    if is_shared(record):
        both = "The one microphone as a programme in mono. "
    return [
        (
            "Integrated loudness",
            quantity(programme.integrated_lufs, "LUFS"),
            both + "K-weighted, gated at −70 LUFS and −10 LU.",
            BS1770,
        ),
        (
            "Loudest 3 s",
            quantity(programme.max_short_term_lufs, "LUFS"),
            both + "Largest short-term loudness.",
            "EBU Tech 3341",
        ),
        (
            "Loudest 0.4 s",
            quantity(programme.max_momentary_lufs, "LUFS"),
            both + "Largest momentary loudness.",
            "EBU Tech 3341",
        ),
        (
            "Loudness range",
            quantity(programme.range_lu, "LU"),
            both + "10th to 95th percentile of the 3 s loudness.",
            "EBU Tech 3342",
        ),
        (
            "True peak",
            quantity(programme.true_peak_dbtp, "dBTP"),
            "The highest true peak of its channels.",
            f"{BS1770}, annex 2",
        ),
    ]


def _of(record: TakeRecord, role: MicRole, value: Callable[[Mic], str]) -> str:
    mic = record.mics.get(role)
    return value(mic) if mic else NOT_MEASURED


def _crosstalk_rows(record: TakeRecord) -> list[Measurement]:
    if record.crosstalk is None:
        return []
    into_subject = record.crosstalk.interviewer_into_subject
    into_interviewer = record.crosstalk.subject_into_interviewer
    return [
        Measurement(
            "The other voice in here (crosstalk)",
            "how loud the other person is in this microphone; lower is better",
            _leak(into_subject),
            _leak(into_interviewer),
            "K-weighted level of the other person's voice in this microphone, relative to the "
            "same voice in their own, while only they speak; the noise's share taken off.",
            "own definition",
        ),
        Measurement(
            "Arrives later by, polarity",
            "when and which way round the other voice arrives here",
            _arrival(into_subject),
            _arrival(into_interviewer),
            "Main peak of the generalised cross-correlation of both microphones while only the "
            "other person speaks, 150 Hz to 7 kHz, within 50 ms.",
            "Knapp and Carter 1976",
        ),
    ]


def _range(low: float | None, high: float | None, unit: str) -> str:
    if low is None or high is None:
        return NOT_MEASURED
    return f"{number(low)} to {quantity(high, unit)}"


def _peak(level: float | None, at_s: float | None) -> str:
    if level is None or at_s is None:
        return quantity(level, "dBTP")
    return f"{quantity(level, 'dBTP')} at {clock(at_s, exact=True)}"


def _hum(hum: Hum | None, noise_floor_dbfs: float | None) -> str:
    if hum is None:
        # Hum is looked for in the pauses: without any, nothing can be said.
        return "none found" if noise_floor_dbfs is not None else NOT_MEASURED
    return f"{quantity(hum.level_dbfs, 'dBFS')}, {quantity(hum.frequency_hz, 'Hz')}"


def _leak(leak: Leak) -> str:
    if leak.level_db is None:
        return NOT_MEASURED
    text = quantity(leak.level_db, "dB")
    return f"at most {text}" if leak.is_upper_bound else text


def _arrival(leak: Leak) -> str:
    polarity = {"same": "same polarity", "opposite": "opposite polarity"}.get(leak.polarity or "")
    if leak.delay_ms is None:
        return f"no one delay, {polarity}" if polarity else NOT_MEASURED
    return quantity(leak.delay_ms, "ms", 2) + (f", {polarity}" if polarity else "")
