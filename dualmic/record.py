"""The take record: the JSON contract every report is drawn from and other programs read.

Conventions: times in seconds from the start of the take; ``*_dbfs`` is RMS re full scale 1.0 (a
full-scale sine reads -3.01); ``*_dbtp`` is true peak re full scale; ``*_lufs`` and ``*_lu`` follow
ITU-R BS.1770-5. A number that could not be measured is ``None`` (``null``), never NaN. People are
called ``interviewer`` and ``subject`` everywhere; channels are counted from 1.

    >>> record = Roles(interviewer=1, subject=2, decided_by="default")
    >>> msgspec.json.encode(record)[:16]
    b'{"interviewer":1'
"""

from pathlib import Path
from typing import Literal

import msgspec

from dualmic.errors import RecordingError

SCHEMA = "dualmic-take/1"

MicRole = Literal["interviewer", "subject"]
ChannelRole = Literal["interviewer", "subject", "safety", "unused"]
Severity = Literal["fail", "warn", "note"]
Result = Literal["pass", "warn", "fail", "not measured"]
DeliveryResult = Literal["pass", "warn", "fail", "incomplete"]
Polarity = Literal["same", "opposite"]
KindOfTake = Literal["interview", "nobody speaks", "one person", "too short"]
Verdict = Literal["usable", "usable but for these answers", "not usable"]

MIC_ROLES: tuple[MicRole, MicRole] = ("interviewer", "subject")


class Proof(msgspec.Struct, frozen=True):
    """Whether the reference signals were measured right on this machine with this version."""

    result: Literal["passed", "failed", "not run"] = "not run"
    date: str | None = None
    cases: int | None = None


class Method(msgspec.Struct, frozen=True):
    """What measured, so that a reader can repeat it."""

    version: str
    settings_sha256: str
    libraries: dict[str, str]
    proof: Proof = Proof()


class SourceFile(msgspec.Struct, frozen=True):
    """One file of the take; ``start_s`` is where it begins within the take."""

    path: str
    size_bytes: int
    start_s: float
    duration_s: float
    audio_md5: str | None


class Timecode(msgspec.Struct, frozen=True):
    """Start timecode (SMPTE ST 12-1) and its frame rate as the file states it, e.g. ``25``.

    ``rate_is_given`` is false where the file states a time of day alone: then it is counted at the
    rate of the settings.
    """

    start: str
    rate: str
    drop_frame: bool = False
    rate_is_given: bool = True


class Take(msgspec.Struct, frozen=True):
    """The take's own description: what the files say of themselves.

    ``texts`` are the recorder's own free fields as it wrote them, not checked; ``notes`` are
    sentences on what was met while reading, such as a track that ends before the others.
    """

    name: str
    files: list[SourceFile]
    duration_s: float
    sample_rate_hz: int
    bit_depth: int | None
    container: str
    codec: str
    timecode: Timecode | None = None
    recorded_at: str | None = None
    texts: dict[str, str] = {}
    notes: list[str] = []


class Channel(msgspec.Struct, frozen=True):
    """One channel: which file (index from 0) and track (from 1) it is, and what it serves as."""

    channel: int
    file: int
    track: int
    name: str | None
    role: ChannelRole
    safety_of: int | None = None
    gain_offset_db: float | None = None


class Roles(msgspec.Struct, frozen=True):
    """Which channel is whose, what decided it, and a doubt worth a question."""

    interviewer: int | None
    subject: int | None
    decided_by: str
    doubt: str | None = None
    interviewer_name: str | None = None
    subject_name: str | None = None


class Loudness(msgspec.Struct, frozen=True):
    """Loudness of one microphone (ITU-R BS.1770-5, EBU Tech 3341 and 3342)."""

    integrated_lufs: float | None
    max_momentary_lufs: float | None
    max_short_term_lufs: float | None
    range_lu: float | None
    speech_lufs: float | None = None


class Harmonic(msgspec.Struct, frozen=True):
    """One line of a hum."""

    frequency_hz: float
    level_dbfs: float


class Hum(msgspec.Struct, frozen=True):
    """Mains or generator hum: its measured fundamental, the level of all its lines together."""

    frequency_hz: float
    level_dbfs: float
    harmonics: list[Harmonic]


class Mic(msgspec.Struct, frozen=True):
    """Everything measured on one person's microphone."""

    channel: int
    loudness: Loudness
    sample_peak_dbfs: float | None
    true_peak_dbtp: float | None
    true_peak_at_s: float | None
    clipped_samples: int
    noise_floor_dbfs: float | None
    noise_floor_dba: float | None
    noise_p10_dbfs: float | None
    noise_p90_dbfs: float | None
    speech_to_noise_db: float | None
    hum: Hum | None
    dc_offset: float
    speech_s: float


class Programme(msgspec.Struct, frozen=True):
    """Both microphones as the two channels of one stereo programme (BS.1770 channel sum)."""

    integrated_lufs: float | None
    max_momentary_lufs: float | None
    max_short_term_lufs: float | None
    range_lu: float | None
    true_peak_dbtp: float | None


class LeakSection(msgspec.Struct, frozen=True):
    """Crosstalk over one stretch of the take."""

    start_s: float
    end_s: float
    level_db: float


class Leak(msgspec.Struct, frozen=True):
    """One person's voice in the other's microphone, relative to the same voice in their own."""

    level_db: float | None
    is_upper_bound: bool
    delay_ms: float | None
    polarity: Polarity | None
    measured_s: float
    sections: list[LeakSection]


class Crosstalk(msgspec.Struct, frozen=True):
    """Crosstalk both ways; latency is half the difference of the two directions' delays."""

    interviewer_into_subject: Leak
    subject_into_interviewer: Leak
    latency_ms: float | None


class Turn(msgspec.Struct, frozen=True):
    """A stretch in which one person speaks, pauses under 0.7 s bridged."""

    id: int
    speaker: MicRole
    start_s: float
    end_s: float


class Problem(msgspec.Struct, frozen=True):
    """A problem section: ``heard`` says what happened and ``advice`` what to do, in plain words.

    ``mic`` is ``None`` where the problem is of both microphones together.
    """

    id: int
    kind: str
    mic: MicRole | None
    channel: int | None
    start_s: float
    end_s: float
    start_timecode: str | None
    end_timecode: str | None
    count: int
    severity: Severity
    value: float | None
    limit: float | None
    unit: str | None
    heard: str
    advice: str


class Copy(msgspec.Struct, frozen=True):
    """Another recording of the same words, and how good it is."""

    take: str
    channel: int
    speech_to_noise_db: float | None
    level_dbfs: float | None
    usable: bool


class LineAtRisk(msgspec.Struct, frozen=True):
    """A turn damaged on its speaker's own microphone; ``because`` lists problem kinds."""

    turn: int
    speaker: MicRole
    start_s: float
    end_s: float
    because: list[str]
    covered_by: Copy | None


class Check(msgspec.Struct, frozen=True):
    """One judged value; ``margin`` is how far inside (+) or outside (-) the next limit it lies."""

    id: str
    title: str
    mic: MicRole | None
    value: float | None
    warn_limit: float | None
    fail_limit: float | None
    margin: float | None
    unit: str
    result: Result
    source: str


class Delivery(msgspec.Struct, frozen=True):
    """The verdict for one delivery; gains bring each microphone's speech to its target."""

    result: DeliveryResult
    gain_db: dict[str, float | None]
    checks: list[Check]


class Trace(msgspec.Struct, frozen=True):
    """Level over time of one microphone, one value a step; ``None`` is digital silence."""

    rms_dbfs: list[float | None]
    peak_dbfs: list[float | None]


class Overview(msgspec.Struct, frozen=True):
    """The picture of the take that the plots are drawn from."""

    step_s: float
    interviewer: Trace | None = None
    subject: Trace | None = None


class TakeRecord(msgspec.Struct, frozen=True):
    """One take, measured and judged."""

    schema: str
    mode: Literal["take", "mix"]
    method: Method
    take: Take
    channels: list[Channel]
    roles: Roles
    kind_of_take: KindOfTake
    verdict: Verdict | None
    mics: dict[str, Mic]
    programme: Programme
    crosstalk: Crosstalk | None
    turns: list[Turn]
    problems: list[Problem]
    at_risk: list[LineAtRisk]
    deliveries: dict[str, Delivery]
    set_up: list[str]
    overview: Overview


def encode(record: TakeRecord) -> bytes:
    """Return the record as indented UTF-8 JSON with a final newline."""
    return msgspec.json.format(msgspec.json.encode(record), indent=1) + b"\n"


def decode(data: bytes, name: str = "the record") -> TakeRecord:
    """Read a record back.

    Raises:
        RecordingError: when ``data`` is not a record of this schema; ``name`` is used in the text.

    """
    try:
        record = msgspec.json.decode(data, type=TakeRecord)
    except msgspec.DecodeError as error:
        raise RecordingError(f"{name} is not a dualmic record: {error}.") from error
    if record.schema != SCHEMA:
        raise RecordingError(f"{name} has schema {record.schema!r}; this version reads {SCHEMA!r}.")
    return record


def read(path: Path) -> TakeRecord:
    """Read a record from a ``.json`` file written by :func:`encode`."""
    try:
        data = path.read_bytes()
    except OSError as error:
        raise RecordingError(f"Cannot read {path}: {error.strerror}.") from error
    return decode(data, str(path))
